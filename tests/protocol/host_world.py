"""A host link, a bad line and a scripted peer in virtual time."""

import random
from dataclasses import dataclass, field

from scripted_peer import Judge, Limits, Line, Peer, split_frames

from protocol.host.events import Accepted, Completed, LinkEvent, Lost
from protocol.host.link import HostLink
from protocol.host.states import LinkState
from protocol.host.tuning import LinkTuning

STEPS_MAX = 200_000


@dataclass
class World:
    """Runs until nothing is left to do or the time is up; every byte passes the judge."""

    peer: Peer
    to_peer: Line
    to_host: Line
    link: HostLink
    now_s: float = 0.0
    events: list[LinkEvent] = field(default_factory=list)
    #: The tickets for which `Accepted` or `Completed` came, in order.
    accepted: list[int] = field(default_factory=list)
    completed: dict[int, Completed] = field(default_factory=dict)
    lost: Lost | None = None

    def __post_init__(self) -> None:
        self.judge = Judge(self.peer.limits)
        self.link.start(self.now_s)
        self._exchange()

    def run(self, until_s: float, *, enough=lambda world: False) -> None:
        """Let time pass up to `until_s`, or until `enough` holds."""
        for _ in range(STEPS_MAX):
            if enough(self):
                return
            times = [
                self.link.deadline_s(),
                self.peer.deadline_s(),
                self.to_peer.next_s(),
                self.to_host.next_s(),
            ]
            next_s = min((time_s for time_s in times if time_s is not None), default=until_s)
            if next_s >= until_s:
                self.now_s = max(self.now_s, until_s)
                return
            self.now_s = max(self.now_s, next_s)
            for data in self.to_peer.arrived(self.now_s):
                self.peer.receive(data, self.now_s)
            self.peer.tick(self.now_s)
            for data in self.to_host.arrived(self.now_s):
                self.judge.host_hears(data)
                self.link.receive(data, self.now_s)
                # What the link sends on this frame must be judged before it hears the next one.
                self._exchange()
            self.link.tick(self.now_s)
            self._exchange()
        raise AssertionError("time does not get on")

    def done(self, tickets: list[int]) -> bool:
        return self.lost is not None or all(ticket in self.completed for ticket in tickets)

    def _exchange(self) -> None:
        data = self.link.take_output()
        self.judge.host_sends(data)
        for frame in split_frames(data):
            self.to_peer.carry(frame, self.now_s)
        for frame in self.peer.take():
            self.to_host.carry(frame, self.now_s)
        for event in self.link.take_events():
            self._note(event)

    def _note(self, event: LinkEvent) -> None:
        assert self.lost is None, "an event after the end"
        self.events.append(event)
        if isinstance(event, Accepted):
            assert event.ticket not in self.accepted
            assert event.ticket not in self.completed
            self.accepted.append(event.ticket)
        elif isinstance(event, Completed):
            assert event.ticket not in self.completed, "completed twice"
            self.completed[event.ticket] = event
        elif isinstance(event, Lost):
            self.lost = event
            assert self.link.state is LinkState.LOST


def world(seed: int = 1, limits: Limits | None = None, takes_s=lambda opcode: 0.0, **line: float) -> World:
    """Return a world whose two directions have the same figures (see `Line`)."""
    rng = random.Random(seed)
    return World(
        Peer(limits or Limits(), takes_s),
        Line(random.Random(rng.random()), **line),
        Line(random.Random(rng.random()), **line),
        HostLink(nonce=rng.randrange(2**32), tuning=LinkTuning()),
    )


def opened(seed: int = 1, **kwargs) -> World:
    """Return a world whose link is open."""
    made = world(seed, **kwargs)
    made.run(6.0, enough=lambda each: each.link.state is not LinkState.GREETING)
    return made
