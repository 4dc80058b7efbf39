"""The answer: whether a part can stand in a position, what must be done, and what speaks against it."""

from dataclasses import dataclass
from enum import StrEnum

from daemon.catalogue.model import Part
from daemon.catalogue.substitution.arrangement import Arrangement


class Verdict(StrEnum):
    """How much stands between a part and a position, least first."""

    READY = "ready"
    """It goes in as it is; its content may have to be arranged."""
    CHECK = "check"
    """It goes in if the board is as it should be: something must be looked at first."""
    REWORK = "rework"
    """Pins must be lifted and tied to a supply."""
    ADAPTER = "adapter"
    """Signals must be led to other pins, which takes an adapter."""
    CANNOT = "cannot"

    @property
    def rank(self) -> int:
        """Its place in the order, 0 for the best."""
        return list(Verdict).index(self)


class Work(StrEnum):
    """Kinds of things to be done."""

    CONTENT = "content"
    """Arrange the content: repeat, offset, reorder."""
    GRADE = "grade"
    """Choose a speed grade."""
    CHECK = "check"
    """Look at the board."""
    TIE = "tie"
    """Lift a pin and wire it to a supply."""
    LIFT = "lift"
    """Lift a pin and leave it open."""
    WIRE = "wire"
    """Lift a pin and wire it to another pin of the position."""
    ADAPTER = "adapter"
    """Put the chip on a named adapter."""


@dataclass(frozen=True, slots=True)
class Task:
    """One thing to be done, as a sentence and as data.

    `pin` is the chip's. `to` is VCC, GND, open, or for a wire the number of the position's pin.
    """

    work: Work
    text: str
    pin: int | None = None
    to: str | int | None = None


@dataclass(frozen=True, slots=True)
class StandIn:
    """How one part does in one position.

    `reasons` say what speaks against putting it in as it is, in the order of its pins; for CANNOT they are
    why. `cautions` are what to know although it works. `arrangement` is None for CANNOT.
    """

    part: Part
    verdict: Verdict
    reasons: tuple[str, ...] = ()
    tasks: tuple[Task, ...] = ()
    cautions: tuple[str, ...] = ()
    arrangement: Arrangement | None = None
    adapter: str | None = None
