"""Sequence numbers: where an arriving request stands, and the results kept for its repeats (D10, D11)."""

from dataclasses import dataclass
from enum import Enum, auto

from protocol.wire import NUMBER_SPACE, Status


class Place(Enum):
    """What the number of a request says about it."""

    NEXT = auto()
    GAP = auto()
    REPEAT = auto()
    STRAY = auto()


def place_of(number: int, expected: int, window: int) -> Place:
    """Return how `number` stands to the `expected` one, for a window of 1 to 16."""
    ahead = (number - expected) % NUMBER_SPACE
    if ahead == 0:
        return Place.NEXT
    if ahead < window:
        return Place.GAP
    return Place.REPEAT if ahead >= NUMBER_SPACE - window else Place.STRAY


def following(number: int) -> int:
    """Return the sequence number after `number`."""
    return (number + 1) % NUMBER_SPACE


@dataclass(frozen=True, slots=True)
class Kept:
    """What a completed request was answered with; the faults are added when it is sent."""

    opcode: int
    status: Status
    detail: bytes


class KeptResults:
    """The newest `most` results by a number; older ones are forgotten."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: dict[int, Kept] = {}

    def put(self, number: int, result: Kept) -> None:
        """Keep `result`, in place of an older one of the same number."""
        self._kept.pop(number, None)
        self._kept[number] = result
        if len(self._kept) > self._most:
            del self._kept[next(iter(self._kept))]

    def get(self, number: int) -> Kept | None:
        """Return the result of `number`, None when it was never kept or is forgotten."""
        return self._kept.get(number)

    def clear(self) -> None:
        """Forget all."""
        self._kept.clear()


class OperationHistory:
    """The newest operation of the present work that was begun: none is carried out twice (D18).

    It outlives sessions; a SETUP with another work starts it anew, a reset of the device ends it.
    """

    def __init__(self) -> None:
        self._work_id: int | None = None
        self._highest = 0
        self._result: Kept | None = None

    def start_work(self, work_id: int) -> None:
        """Begin work `work_id`; nothing changes when it is the present one."""
        if work_id != self._work_id:
            self._work_id = work_id
            self._highest = 0
            self._result = None

    def seen(self, op: int) -> bool:
        """Return whether `op` must not be carried out (any more)."""
        return op <= self._highest

    def result(self, op: int, opcode: int) -> Kept:
        """Return what a request for `op`, which was seen, completes with.

        That is the result of the newest operation. Of an older one, or one that was another request then, it
        is only known that it was done.
        """
        kept = self._result
        if kept is not None and op == self._highest and kept.opcode == opcode:
            return kept
        return Kept(opcode, Status.ALREADY_DONE, b"")

    def begun(self, op: int, result: Kept) -> None:
        """Note that `op`, which was not seen before, was begun and ended with `result`."""
        self._highest = op
        self._result = result
