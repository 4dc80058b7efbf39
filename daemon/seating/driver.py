"""Drives a `SeatWatch` over a session: pin checks at a polite rate, in the port's own thread."""

from collections.abc import Callable, Iterable
from typing import Protocol

from daemon.diagnosis import judge_seating
from daemon.operations.socketed import Socketed
from daemon.seating.watch import Arrived, SeatEvent, SeatWatch
from protocol.wire import EventCode


class Person(Protocol):
    """The person at the bench, as far as a front end passes on what they say."""

    def says_it_is_in(self) -> bool:
        """Return True once for each time that they say so; raises to give the waiting up."""


def await_arrival(
    socketed: Socketed,
    watch: SeatWatch,
    person: Person,
    heed: Callable[[SeatEvent], None],
) -> Arrived:
    """Wait until a chip sits in the socket; return by what that was noticed.

    The part is set up and the supplies are off; they stay so, and nothing is done to the chip. `heed` is
    called with all that happens meanwhile. It ends for no time that goes by: raises StoppedError when the
    job is stopped, BenchError when the programmer is lost, and what `person` and `heed` raise.
    """
    session = socketed.session
    # The lever may have been opened since the last look; a press of before was meant for something else.
    for event in _levers(watch, session.take_board_events(), session.now_s()):
        heed(event)
    while True:
        for event in _happened(socketed, watch, person):
            heed(event)
            if isinstance(event, Arrived):
                return event
        now_s = session.now_s()
        until_s = watch.next_look_s(now_s)
        while now_s < until_s and not session.has_board_events:
            # Returns early for whatever comes, and raises when the job is stopped.
            session.listen(until_s - now_s)
            now_s = session.now_s()


def _levers(watch: SeatWatch, told: Iterable[EventCode], now_s: float) -> list[SeatEvent]:
    levers = (code for code in told if code in (EventCode.SOCKET_OPENED, EventCode.SOCKET_CLOSED))
    return [event for code in levers for event in watch.lever(code is EventCode.SOCKET_OPENED, now_s)]


def _happened(socketed: Socketed, watch: SeatWatch, person: Person) -> list[SeatEvent]:
    session, found = socketed.session, list[SeatEvent]()
    told = session.take_board_events()
    pressed = person.says_it_is_in() or EventCode.BUTTON in told
    found += _levers(watch, told, session.now_s())
    if watch.sees_pins and (states := socketed.contact()) is not None:
        found += watch.look(judge_seating(socketed.fit, states), session.now_s())
    if pressed and not any(isinstance(event, Arrived) for event in found):
        found += watch.press(session.now_s())
    return found
