"""What goes on at a socket, from pin checks that somebody else makes.

A chip that is pushed in touches pin by pin, and for a moment it may look turned round, or short of pins.
So nothing is believed before it has held still for a while: `Timing` says how long. All times are seconds of
one monotonic clock, given with each call; none is read here.

The states and the moves between them::

    EMPTY --any contact--> TOUCHING --steady, all pins right--> SEATED   (Arrived)
      ^                       |  steady, but wrong: BadlySeated, told once; then TOUCHING still
      |<--no contact----------+
      |<--no contact for `gone_s`, or the lever opened---------- SEATED   (Gone)

What cannot be seen: a chip that is exchanged between two looks, on a board without a lever sensor. Looks are
so close together that no hand is as quick, but none are made while the supplies are on.
"""

from dataclasses import dataclass
from enum import StrEnum

from daemon.diagnosis import Seating


@dataclass(frozen=True, slots=True)
class Timing:
    """How long things must hold, and how often to look, seconds (ours, from how sockets feel)."""

    #: All pins right for so long, in `looks_min` looks or more: the lever is down and the hand is off.
    settle_s: float = 0.5
    looks_min: int = 3
    #: No pin touches for so long: the chip is out, and not just being wiggled.
    gone_s: float = 0.3
    #: Wrong in the same way for so long: nobody is pushing any more, tell them.
    complain_s: float = 2.0
    #: Between looks while something moves, and while nothing does: a pin check takes milliseconds.
    quick_look_s: float = 0.1
    calm_look_s: float = 0.25
    #: A button bounces; two presses nearer than this are one.
    button_s: float = 0.3


class SeatState(StrEnum):
    """What is at the socket, as far as is believed."""

    EMPTY = "empty"
    TOUCHING = "touching"
    SEATED = "seated"


class Evidence(StrEnum):
    """By what it was noticed."""

    PINS = "pins"
    """All pins were right in several looks, one after another."""
    BUTTON = "button"
    """A person said so, by the programmer's button or from a front end."""
    LEVER = "lever"
    """The socket's lever was opened."""


@dataclass(frozen=True, slots=True)
class Arrived:
    """A chip sits in the socket. `touched_s` ago its first pin touched, None where only a person said so."""

    at_s: float
    by: Evidence
    looks: int = 0
    touched_s: float | None = None


@dataclass(frozen=True, slots=True)
class Gone:
    """The chip is out."""

    at_s: float
    by: Evidence


@dataclass(frozen=True, slots=True)
class BadlySeated:
    """Something touches and holds still, but wrongly. Told once for each way; the watch goes on."""

    at_s: float
    seating: Seating


@dataclass(frozen=True, slots=True)
class NothingTouches:
    """A person says that the chip is in, and no pin shows one."""

    at_s: float


SeatEvent = Arrived | Gone | BadlySeated | NothingTouches


class SeatWatch:
    """Watches one socket.

    `occupied`: the chip that is in it now has been dealt with and must go first. `sees_pins` is False for a
    programmer that cannot check pins: then only a person can say that a chip is in.
    """

    def __init__(
        self, *, occupied: bool = False, sees_pins: bool = True, timing: Timing | None = None
    ) -> None:
        self.timing = timing or Timing()
        self.sees_pins = sees_pins
        self.state = SeatState.SEATED if occupied else SeatState.EMPTY
        self._lever_open = False
        self._last = Seating(missing=True)
        self._first_touch_s = 0.0
        #: Since when, and in how many looks, the last finding has been the same.
        self._since_s: float | None = None
        self._looks = 0
        self._told: Seating | None = None
        self._pressed_s = float("-inf")

    @property
    def lever_open(self) -> bool:
        """Whether the socket's lever is known to be open."""
        return self._lever_open

    def next_look_s(self, now_s: float) -> float:
        """Return when the pins should be looked at next, on the clock of `now_s`."""
        moving = self.state is SeatState.TOUCHING or (self.state is SeatState.SEATED) is self._last.missing
        return now_s + (self.timing.quick_look_s if moving else self.timing.calm_look_s)

    # What is seen

    def look(self, seating: Seating, now_s: float) -> tuple[SeatEvent, ...]:
        """Take in what a pin check found; return what is to be believed because of it."""
        self._note(seating, now_s)
        match self.state:
            case SeatState.SEATED:
                return self._while_seated(now_s)
            case SeatState.EMPTY if not seating.missing:
                self.state, self._first_touch_s, self._told = SeatState.TOUCHING, now_s, None
                return ()
            case SeatState.TOUCHING:
                return self._while_touching(now_s)
            case _:
                return ()

    def _note(self, seating: Seating, now_s: float) -> None:
        if seating != self._last or self._since_s is None:
            self._last, self._since_s, self._looks = seating, now_s, 0
        self._looks += 1

    def _steady(self, for_s: float, now_s: float) -> bool:
        assert self._since_s is not None
        return now_s - self._since_s >= for_s - 1e-9 and self._looks >= self.timing.looks_min

    def _while_seated(self, now_s: float) -> tuple[SeatEvent, ...]:
        # One that is half out, or wiggled, is not out.
        if not self._last.missing or not self._steady(self.timing.gone_s, now_s):
            return ()
        self.state = SeatState.EMPTY
        return (Gone(now_s, Evidence.PINS),)

    def _while_touching(self, now_s: float) -> tuple[SeatEvent, ...]:
        seating = self._last
        if seating.missing:
            self.state = SeatState.EMPTY
        elif seating.good:
            if self._steady(self.timing.settle_s, now_s) and not self._lever_open:
                return (self._arrive(now_s, Evidence.PINS),)
        elif self._steady(self.timing.complain_s, now_s) and seating != self._told:
            self._told = seating
            return (BadlySeated(now_s, seating),)
        return ()

    def _arrive(self, now_s: float, by: Evidence) -> Arrived:
        self.state = SeatState.SEATED
        looks, touched_s = (self._looks, now_s - self._first_touch_s) if by is Evidence.PINS else (0, None)
        return Arrived(now_s, by, looks, touched_s)

    # What is told

    def press(self, now_s: float) -> tuple[SeatEvent, ...]:
        """Take in that the button was pressed, or that a person said "it is in" in another way.

        Pins that are seen are believed more: the button only makes the watch say what is wrong, or believe
        that a chip which was to go first has been exchanged unseen.
        """
        if now_s - self._pressed_s < self.timing.button_s:
            return ()
        self._pressed_s = now_s
        if not self.sees_pins:
            gone = (Gone(now_s, Evidence.BUTTON),) if self.state is SeatState.SEATED else ()
            return (*gone, self._arrive(now_s, Evidence.BUTTON))
        if self.state is SeatState.SEATED and self._last.good and self._since_s is not None:
            return (Gone(now_s, Evidence.BUTTON), self._arrive(now_s, Evidence.BUTTON))
        if self.state is SeatState.EMPTY:
            return (NothingTouches(now_s),)
        if self.state is SeatState.TOUCHING and self._told is not None and self._told == self._last:
            return (BadlySeated(now_s, self._last),)
        return ()

    def lever(self, is_open: bool, now_s: float) -> tuple[SeatEvent, ...]:
        """Take in that the socket's lever was opened or closed; while it is open chips can be exchanged."""
        self._lever_open = is_open
        self._since_s, self._looks = None, 0
        if is_open and self.state is not SeatState.EMPTY:
            was_seated = self.state is SeatState.SEATED
            self.state, self._last = SeatState.EMPTY, Seating(missing=True)
            return (Gone(now_s, Evidence.LEVER),) if was_seated else ()
        return ()
