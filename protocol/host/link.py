"""The host's end of the wire, sans-I/O: bytes and the time in; events, bytes and the next deadline out.

`SPEC.md` sections 2 to 5 are its law; numbers such as H7 and D12 are theirs. A link lives for one session:
after `Lost`, a new attempt takes a new link with a new nonce. `now_s` is any clock that never goes back, in
seconds. The owner calls `tick` when `deadline_s` has come, and after every call drains `take_output` and
`take_events`.
"""

from typing import Any

from protocol.framing import Frame, FrameReader
from protocol.host.events import (
    LinkCounters,
    LinkDownError,
    LinkEvent,
    LossReason,
    Lost,
    Opened,
    VersionRefused,
)
from protocol.host.greeting import Greeting, OtherVersionError
from protocol.host.outlet import Outlet
from protocol.host.rtt import RoundTrip
from protocol.host.session import Session
from protocol.host.states import LinkState, LinkStateError, Move, moved
from protocol.host.tuning import LinkTuning
from protocol.identity import Identity
from protocol.messages import HelloReply
from protocol.wire import Fault, Kind, Opcode

_IDLE = frozenset({LinkState.CLOSED, LinkState.LOST})


class HostLink:
    """One session with one device. Not thread-safe: it belongs to the thread that does the job."""

    def __init__(self, *, nonce: int, tuning: LinkTuning | None = None) -> None:
        """`nonce` is random, 0 to 2**32 - 1, another one for each link."""
        self._nonce = nonce
        self._tuning = tuning or LinkTuning()
        self._counters = LinkCounters()
        self._outlet = Outlet(self._counters)
        self._rtt = RoundTrip(self._tuning)
        self._reader = FrameReader()
        self._events: list[LinkEvent] = []
        self._state = LinkState.CLOSED
        self._greeting: Greeting | None = None
        self._session: Session | None = None
        self._tickets = 0
        self._energised = False
        self._now_s = 0.0

    @property
    def state(self) -> LinkState:
        """Where the link stands."""
        return self._state

    @property
    def counters(self) -> LinkCounters:
        """What was counted up to now."""
        self._counters.rtt_s = self._rtt.srtt_s
        self._counters.rto_s = self._rtt.rto_s
        self._counters.damaged = self._reader.damaged
        return self._counters

    @property
    def byte_s(self) -> float:
        """How long a byte needs on the line at most, by the best that it has shown; seconds."""
        return self._rtt.byte_s

    @property
    def hello(self) -> HelloReply | None:
        """The device's limits, once open."""
        return self._session.welcome.hello if self._session else None

    @property
    def identity(self) -> Identity | None:
        """Who the device is, once open."""
        return self._session.welcome.identity if self._session else None

    @property
    def faults(self) -> Fault:
        """The faults that the device last reported as latched."""
        return Fault(self._session.fault_bits) if self._session else Fault.NONE

    def start(self, now_s: float) -> None:
        """Send HELLO; the owner has already waited for a board that its port resets (H2).

        Raises LinkStateError when the link has been started before.
        """
        self._state = moved(self._state, Move.START)
        self._greeting = Greeting(self._nonce, self._tuning, self._outlet, now_s)

    def submit(self, opcode: Opcode, message: Any, now_s: float) -> int:
        """Queue a request and return its ticket (1, 2, 3, ...); it is sent as soon as the device has room.

        `message` is of the class that `protocol.messages.OPERATIONS` names. Raises LinkStateError unless the
        link is open, ValueError for a message that cannot be sent to this device.
        """
        session = self._open_session("a request")
        session.submit(self._tickets + 1, opcode, message, now_s)
        self._tickets += 1
        self._now_s = now_s
        session.plan_feeding(now_s, energised=self._energised)
        return self._tickets

    def abort(self, now_s: float) -> None:
        """Stop everything on the device (D17). Nothing can be submitted until `AbortAnswered`.

        Raises LinkStateError unless the link is open.
        """
        session = self._open_session("ABORT")
        self._state = moved(self._state, Move.ABORT)
        session.abort(now_s)
        session.plan_feeding(now_s, energised=self._energised)

    def keepalive(self, now_s: float) -> None:
        """Ask the device where it stands, unless an answer is still outstanding.

        Raises LinkStateError unless the link is open.
        """
        session = self._open_session("KEEPALIVE")
        if not session.control.waiting:
            session.control.send(Opcode.KEEPALIVE, now_s)

    def set_energised(self, on: bool) -> None:
        """Say whether a supply is on: while it is, `tick` sends KEEPALIVE (H11) when `deadline_s` says."""
        self._energised = on
        if self._session and self._state not in _IDLE:
            # The time of the last call is a little too early, which only makes the first KEEPALIVE so.
            self._session.plan_feeding(self._now_s, energised=on)

    def set_pulse_s(self, pulse_s: float) -> None:
        """Say how long a pulse of the part is: a device may answer so much later (D13)."""
        self._rtt.set_pulse(pulse_s)

    def cut(self, words: str) -> None:
        """Say that the port has failed: the link is lost. Nothing happens if it already is."""
        if self._state is not LinkState.LOST:
            self._lose(LinkDownError(LossReason.PORT, words))

    def receive(self, data: bytes, now_s: float) -> None:
        """Take bytes from the port, cut anywhere. What arrives while closed or lost is ignored."""
        if self._state in _IDLE:
            return
        self._now_s = now_s
        self._counters.bytes_in += len(data)
        try:
            for frame in self._reader.feed(data):
                if frame is not None:
                    self._counters.frames_in += 1
                    self._take(frame, now_s)
            if self._session:
                self._session.requests.pump(now_s)
                self._session.plan_feeding(now_s, energised=self._energised)
        except LinkDownError as down:
            self._lose(down)

    def tick(self, now_s: float) -> None:
        """Do what time demands: repeat HELLO, send again, keep the device's watchdog fed, notice silence."""
        if self._state in _IDLE:
            return
        self._now_s = now_s
        try:
            if self._session:
                self._session.plan_feeding(now_s, energised=self._energised)
                self._session.tick(now_s)
            elif self._greeting:
                self._greeting.tick(now_s)
        except LinkDownError as down:
            self._lose(down)

    def deadline_s(self) -> float | None:
        """Return when `tick` is next needed, None if only bytes can change anything."""
        if self._state in _IDLE:
            return None
        if self._session:
            return self._session.deadline_s
        return self._greeting.deadline_s if self._greeting else None

    def take_output(self) -> bytes:
        """Return and forget the bytes that are to be written to the port."""
        return self._outlet.take()

    def take_events(self) -> list[LinkEvent]:
        """Return and forget what has happened, oldest first."""
        events = self._events[:]
        self._events.clear()
        return events

    def _open_session(self, what: str) -> Session:
        if self._session is None or self._state is not LinkState.OPEN:
            raise LinkStateError(f"{what} is not possible while the link is {self._state.value}")
        return self._session

    def _take(self, frame: Frame, now_s: float) -> None:
        """Act on one sound frame."""
        if self._session:
            self._session.take(frame, now_s)
            if self._state is LinkState.ABORTING and not self._session.aborting:
                self._state = moved(self._state, Move.ABORT_ANSWERED)
            return
        welcome = self._greeting.judge(frame) if self._greeting and frame.kind is Kind.REPLY else None
        if welcome is None:
            self._counters.stale += 1
            return
        self._state = moved(self._state, Move.WELCOMED)
        self._events.append(Opened(welcome.hello, welcome.identity, welcome.session))
        self._session = Session(welcome, self._rtt, self._tuning, self._outlet, self._counters, self._events)

    def _lose(self, down: LinkDownError) -> None:
        if isinstance(down, OtherVersionError):
            self._events.append(VersionRefused(down.reply.major, down.reply.minor))
        self._state = moved(self._state, Move.LOSE)
        queued = [pending.ticket for pending in self._session.requests.queued()] if self._session else []
        sent = [pending.ticket for pending in self._session.requests.in_flight()] if self._session else []
        self._events.append(Lost(down.reason, down.words, (*sent, *queued), tuple(queued)))
