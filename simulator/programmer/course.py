"""Units of words of a self-timed part, written ahead of time and taken back where time did not reach.

What a word comes to, and how long the part takes for it, is known at once; so many units are written at one
moment, with the time at which each would have been written and read back. This is done only where the pins
and the chip say that each word goes like the one before; and only those units are kept that read right at
the first attempt. All others are written unit by unit (`writes`).
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

import numpy as np

from protocol.descriptor import LoopKind, Semantics, SequenceId, StepAddress, StepData
from protocol.wire import Mode
from simulator.programmer.board import Board
from simulator.programmer.commands import polled
from simulator.programmer.ports import Addresses, ForeseenWrites, Words
from simulator.programmer.steps import Halt


@dataclass(frozen=True, slots=True)
class Course:
    """Units that were written ahead of time from `begun_s` on.

    `ends_s` says when each is written and read back, `words` how many words are done then.
    """

    writes: ForeseenWrites
    begun_s: float
    ends_s: Sequence[float]
    words: Sequence[int]

    @property
    def count(self) -> int:
        """How many words there are."""
        return self.words[-1] if self.words else 0

    def done_at(self, now_s: float) -> int:
        """Return how many words are done at `now_s`."""
        units = bisect_right(self.ends_s, now_s)
        return self.words[units - 1] if units else 0

    def take_back(self, now_s: float) -> tuple[int, float]:
        """Undo the units that are not done at `now_s`; return the words done, and since when they are."""
        units = bisect_right(self.ends_s, now_s)
        done = self.words[units - 1] if units else 0
        self.writes.undo(done)
        return done, self.ends_s[units - 1] if units else self.begun_s


def foresee(
    board: Board, addresses: Addresses, words: Words, sizes: Sequence[int], longest_s: float
) -> Course | None:
    """Write as many of these units as go as they should; None when only giving the cycles can tell.

    `sizes` are the units' words, one after another; a write may take up to `longest_s`.
    """
    prefix = _prefix(board)
    if (
        prefix is None
        or board.part.geometry.semantics is Semantics.CLEAR_ONLY
        or not board.supplies.steady(board.now_s)
    ):
        return None
    try:
        rails = board.rails(Mode.WRITE), board.rails(Mode.READ)
    except Halt:
        return None  # to be met at its own time
    writes = board.bus.foresee_writes(prefix, addresses, words, rails, board.now_s)
    if writes is None:
        return None
    busy_until_s, ends_s = _times(board, writes.lasting_s, len(prefix), sizes, longest_s)
    writes.carry_out(busy_until_s)
    written = len(busy_until_s)
    got = board.bus.read(Mode.READ, addresses[:written], rails[1])
    wrong = np.flatnonzero(got != words[:written])
    done = list(accumulate(sizes))
    units = bisect_right(done, int(wrong[0]) if wrong.size else written)
    course = Course(writes, board.now_s, ends_s[:units], done[:units])
    if course.count < written or not course.count:
        writes.undo(course.count)
    return course if course.count else None


def _prefix(board: Board) -> list[tuple[int, int]] | None:
    """Return the write cycles before a word's own, None where a word is not written in that way."""
    loop = board.part.loop.kind
    if loop is LoopKind.BYTE_WRITE:
        return []
    steps = board.part.sequences.get(SequenceId.PROGRAM, ()) if loop is LoopKind.COMMAND else ()
    *before, last = steps or (None,)
    if last is None or (last.address_kind, last.data_kind) != (StepAddress.TARGET, StepData.TARGET):
        return None
    if any((s.address_kind, s.data_kind) != (StepAddress.LITERAL, StepData.LITERAL) for s in before):
        return None
    return [(step.address, step.data) for step in before]


def _times(
    board: Board, lasting_s: Sequence[float], before: int, sizes: Sequence[int], longest_s: float
) -> tuple[list[float], list[float]]:
    """Return when the part is done with each word, and when each unit is read back.

    They are those of `writes`, to the last bit. They end before a unit with a word that takes too long.
    """
    program_s, read_s, polls = board.program_s, board.read_s, polled(board)
    busy_until_s: list[float] = []
    ends_s: list[float] = []
    at_s = board.now_s
    for size in sizes:
        place = len(busy_until_s)
        for lasts_s in lasting_s[place : place + size]:
            for _ in range(before):
                at_s += program_s
            done_s = at_s + lasts_s
            at_s += program_s
            busy_s = max(0.0, done_s - at_s)
            at_s += min(busy_s, longest_s) if polls else longest_s
            if busy_s > longest_s or at_s < done_s:
                return busy_until_s[:place], ends_s
            busy_until_s.append(done_s)
        at_s += size * read_s
        ends_s.append(at_s)
    return busy_until_s, ends_s
