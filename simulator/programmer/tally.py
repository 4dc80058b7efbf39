"""What is to be written, and what was: shared by all loops."""

from collections.abc import Callable
from dataclasses import dataclass

from protocol.device import Outcome
from protocol.messages import ProgramResult
from protocol.wire import NONE_U32, Status
from simulator.programmer.ports import Words


@dataclass(frozen=True, slots=True)
class Failure:
    """The word that a loop gave up on."""

    address: int
    wanted: int
    got: int


@dataclass(frozen=True, slots=True)
class Span:
    """Words to be written from `address` on. `words` returns some of them: first place, how many.

    `read`: they come from the chip itself, which takes its time.
    """

    address: int
    count: int
    words: Callable[[int, int], Words]
    read: bool = False


@dataclass(slots=True)
class Tally:
    """What was done so far."""

    words: int = 0
    pulses: int = 0
    most: int = 0
    failure: Failure | None = None

    def add(self, words: int, pulses: int, most: int) -> None:
        """Count words and the pulses that were spent on them."""
        self.words += words
        self.pulses += pulses
        self.most = max(self.most, most)

    def outcome(self) -> Outcome:
        """Return how the request ended: as far as it was let."""
        return Outcome(Status.OK if self.failure is None else Status.PROGRAM_FAILED, self.result())

    def result(self) -> ProgramResult:
        """Return the detail of the answer."""
        failure = self.failure or Failure(NONE_U32, 0, 0)
        most = min(self.most, 0xFF)
        return ProgramResult(self.words, self.pulses, most, failure.address, failure.wanted, failure.got)
