"""What a check is, how it ends, and the list of all of them."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import IntEnum, StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from protocol.conformance.desk import Desk


class Level(StrEnum):
    """What a device has been shown to do, each with all before it."""

    NONE = "none"
    WIRE = "wire"
    """Frames, sessions, requests, descriptors: nothing is energised."""
    READS = "reads"
    """Supplies, reading, watchdog, faults."""
    PROGRAMS = "programs"
    """Pulses, operation numbers, stops in mid-program."""
    COMPLETE = "complete"
    """What needs a hand on the board, too: resets."""


ORDER = (Level.NONE, Level.WIRE, Level.READS, Level.PROGRAMS, Level.COMPLETE)


class Needs(IntEnum):
    """What must be there before a check can begin, each with all before it."""

    SESSION = 0
    PART = 1
    """A part descriptor that the device takes."""
    VCC = 2
    """Leave to energise the socket."""
    VPP = 3
    """And a programming supply, a pulsed loop, and the leave to program."""


class Verdict(StrEnum):
    """How a check ended."""

    PASS = "pass"  # noqa: S105 - no password
    FAIL = "fail"
    NOT_RUN = "not-run"
    NOT_APPLICABLE = "not-applicable"


class Failed(Exception):  # noqa: N818 - a verdict, not an error of ours
    """The device did not do what the text says.

    `requirement`: which of the check's it is about; "" means all of them. `look` is what to look at next.
    """

    def __init__(self, expected: str, seen: str, look: str = "", *, requirement: str = "") -> None:
        super().__init__(f"expected {expected}; seen {seen}")
        self.expected = expected
        self.seen = seen
        self.look = look
        self.requirement = requirement


class NotRun(Exception):  # noqa: N818
    """The check cannot be made here and now; the message says what it wants."""


class NotApplicable(Exception):  # noqa: N818
    """The device does not have what the check is about; the message says what."""


@dataclass(frozen=True, slots=True)
class Check:
    """One check: its requirements, the level it counts for, and what it needs."""

    name: str
    words: str
    requirements: tuple[str, ...]
    level: Level
    needs: Needs
    run: "Callable[[Desk], None]"


@contextmanager
def about(requirement: str, look: str = "") -> Iterator[None]:
    """Let what fails inside be about `requirement`: an ACCEPT that is missing may show more than D10."""
    try:
        yield
    except Failed as failed:
        raise Failed(failed.expected, failed.seen, look or failed.look, requirement=requirement) from None


CHECKS: list[Check] = []
"""All checks in the order in which they run; the modules in `checks` fill it."""


def check(
    *requirements: str, level: Level, needs: Needs = Needs.SESSION
) -> "Callable[[Callable[[Desk], None]], Callable[[Desk], None]]":
    """Enter a function as a check; its name and the first line of its docstring are what a report shows."""

    def enter(function: "Callable[[Desk], None]") -> "Callable[[Desk], None]":
        name = function.__name__.replace("_", "-")
        words = (function.__doc__ or "").strip().splitlines()[0]
        CHECKS.append(Check(name, words, requirements, level, needs, function))
        return function

    return enter
