"""Parts that time their own writes: what a write cycle does to them, what they show while busy.

Time is whatever the caller says it is, in seconds; it never goes back. Sources: the data sheets AT28C64
(Atmel 0001H), AT28C256 (Atmel 0006M), SST39SF010A/020A/040 (SST S71147), Am29F040B (AMD 21445). Within the
longest times that a sheet allows, the chip's own times are drawn by seed (ours).
"""

import math
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from random import Random
from typing import Any

import numpy as np

from daemon.catalogue.model import Part, Step
from daemon.catalogue.terms import Command, Placeholder
from simulator.chip.cells import Cells, Rows, Words

#: Writes are inhibited below this VCC (AT28C64, AT28C256: 3.8 V typical).
INHIBIT_V = 3.8
#: Written to any address, this ends the ID mode of a flash part at once (SST39SF, Am29F040B).
_RESET_WORD = 0xF0
_DATA_BIT = 0x80
_TOGGLE_BIT = 0x40

Cycle = tuple[int, int]
"""One write cycle: row and word."""


@dataclass(frozen=True, slots=True)
class Mark:
    """What a machine at rest was at one time, its cells aside."""

    now_s: float
    busy_until_s: float
    last_word: int
    draws: Any


class Machine(ABC):
    """What stands between the pins and the cells of a part that times its own writes."""

    def __init__(self, part: Part, cells: Cells, seed: int) -> None:
        self._part = part
        self._cells = cells
        self._own = Random(seed)
        self.now_s = 0.0
        self.identifies = False
        """True while reads give the signature."""
        self._busy_until_s = 0.0
        self._last_word = 0
        self._toggle = 0
        self._pending: dict[int, int] = {}

    def advance(self, now_s: float) -> None:
        """Let time come to `now_s`; an earlier time is ignored."""
        self.now_s = max(self.now_s, now_s)

    @property
    def busy(self) -> bool:
        """Tell whether the part is working at the time it knows."""
        return self.now_s < self.busy_until_s

    @property
    def busy_until_s(self) -> float:
        """When the part will be done with what it has."""
        return self._busy_until_s

    def write(self, row: int, word: int, vcc_v: float) -> None:
        """Take in one write cycle at the present time; ignored while the part is busy or VCC is low."""
        if vcc_v >= INHIBIT_V and not self._deaf():
            self._take(row, word)

    def _deaf(self) -> bool:
        return self.busy

    @abstractmethod
    def _take(self, row: int, word: int) -> None: ...

    def status(self, count: int) -> Words:
        """Return what `count` reads give while the part is busy: inverted top bit, toggling bit below it."""
        toggles = (np.arange(count, dtype=np.uint16) + np.uint16(self._toggle)) & np.uint16(1)
        self._toggle = (self._toggle + count) & 1
        steady = np.uint16(
            ~self._last_word & _DATA_BIT | self._last_word & ~(_DATA_BIT | _TOGGLE_BIT) & 0xFFFF
        )
        return steady | toggles * np.uint16(_TOGGLE_BIT)

    def _draw_s(self, typical_s: float | None, longest_s: float | None) -> float:
        """Return how long something takes this chip: about the typical time, or well within the longest."""
        if typical_s is None:
            return (longest_s or 0.0) * self._own.uniform(0.6, 0.9)
        return min(typical_s * self._own.uniform(0.95, 1.05), longest_s or math.inf)

    def draw_cycles_s(self, count: int) -> list[float]:
        """Return how long the next `count` write cycles take."""
        write = self._part.write
        assert write is not None
        typical_s = _seconds(write.write_cycle_us_typ, 1e6)
        longest_s = _seconds(write.write_cycle_us_max, 1e6)
        return [self._draw_s(typical_s, longest_s) for _ in range(count)]

    def _draw_cycle_s(self) -> float:
        return self.draw_cycles_s(1)[0]

    def _work(self, word: int, lasting_s: float) -> None:
        """Be busy from now on; polling answers with this word."""
        self._last_word = word
        self._busy_until_s = self.now_s + lasting_s

    def _store(self, row: int, word: int) -> None:
        """Remember what a word is to become; the cells follow in one go, in `flush`."""
        self._pending[row] = word

    def flush(self) -> None:
        """Bring the cells up to date; to be called before anything else looks at them."""
        if self._pending:
            rows = np.array(list(self._pending), dtype=np.uint32)
            words = np.array(list(self._pending.values()), dtype=np.uint16)
            self._pending.clear()
            self._settle(rows, words)

    def _settle(self, rows: Rows, words: Words) -> None:
        self._cells.store(rows, words)

    def lose_power(self, now_s: float) -> None:
        """Forget all but the cells: VCC has gone. A write or erase under way counts as done (ours)."""
        self.advance(now_s)
        self.flush()
        self.identifies = False
        self._busy_until_s = min(self._busy_until_s, self.now_s)

    # Many words at once (`word_writes`)

    def writes_after(self, prefix: Sequence[Cycle], vcc_v: float) -> bool:
        """Tell whether the part at rest, given these cycles and one more, writes just the last one's word.

        That is to hold whatever the last cycle's row and word are, time and again.
        """
        return vcc_v >= INHIBIT_V and not self.busy and not self.identifies and self._writes_next(prefix)

    def _writes_next(self, prefix: Sequence[Cycle]) -> bool:
        """Do the part's share of `writes_after`; a part that collects loads has no such cycle."""
        return False

    def mark(self) -> Mark:
        """Return what `go_back` needs; for a part at rest."""
        return Mark(self.now_s, self._busy_until_s, self._last_word, self._own.getstate())

    def go_back(self, mark: Mark) -> None:
        """Be as at the mark, the cells aside."""
        self.now_s, self._busy_until_s, self._last_word = mark.now_s, mark.busy_until_s, mark.last_word
        self._own.setstate(mark.draws)

    def finish(self, word: int, at_s: float) -> None:
        """Be as after a write of `word` whose end, at `at_s`, was waited for."""
        self._last_word = word
        self.now_s = self._busy_until_s = at_s

    def settle(self, rows: Rows, words: Words) -> None:
        """Let the cells take words that were written; no row twice."""
        self.flush()
        self._settle(rows, words)


def _seconds(value: float | None, per_s: float) -> float | None:
    return None if value is None else value / per_s


class ByteWriter(Machine):
    """28C64: every write cycle erases and writes one byte."""

    def _take(self, row: int, word: int) -> None:
        self._store(row, word)
        self._work(word, self._draw_cycle_s())

    def _writes_next(self, prefix: Sequence[Cycle]) -> bool:
        return not prefix


_Entry = tuple[Command, tuple[Step, ...]]


class CommandWriter(Machine):
    """39SF and 29F: a write does something only as the end of an unlock sequence.

    Literal addresses are compared in the bits that the part decodes: 15 for 5555/2AAA, 11 for 555/2AA
    (SST39SF: A15 and up do not matter; Am29F040B: A11 and up). A locked part drops programming and erasure.
    """

    def __init__(self, part: Part, cells: Cells, seed: int, locked: bool = False) -> None:
        super().__init__(part, cells, seed)
        assert part.write is not None
        self.locked = locked
        self._sequences = dict(part.write.commands)
        literals = [
            step.address
            for steps in self._sequences.values()
            for step in steps
            if isinstance(step.address, int)
        ]
        self._decoded = (1 << max(literals, default=0).bit_length()) - 1
        self._seen = 0
        self._live = list(self._sequences.items())

    def _take(self, row: int, word: int) -> None:
        if word & 0xFF == _RESET_WORD and not self._expects_data():
            self._forget()
            self.identifies = False
            return
        seen = self._seen
        self._live = self._narrowed(self._live, seen, row, word)
        self._seen += 1
        for command, steps in self._live:
            if len(steps) == self._seen:
                self._forget()
                self._carry_out(command, row, word)
                return
        if not self._live:
            self._forget()
            if seen:
                self._take(row, word)

    def _narrowed(self, live: list[_Entry], seen: int, row: int, word: int) -> list[_Entry]:
        """Return those of the commands that this cycle, after `seen` others, goes on with."""
        return [entry for entry in live if len(entry[1]) > seen and self._fits(entry[1][seen], row, word)]

    def _writes_next(self, prefix: Sequence[Cycle]) -> bool:
        if self.locked or self._seen:
            return False
        live = list(self._sequences.items())
        for seen, (row, word) in enumerate(prefix):
            live = self._narrowed(live, seen, row, word)
            if word & 0xFF == _RESET_WORD or any(len(steps) == seen + 1 for _, steps in live):
                return False
        if len(live) != 1 or live[0][0] is not Command.PROGRAM or len(live[0][1]) != len(prefix) + 1:
            return False
        last = live[0][1][-1]
        return last.address is Placeholder.ADDRESS and last.data is Placeholder.DATA

    def lose_power(self, now_s: float) -> None:
        """See the base class; a sequence that was begun is forgotten."""
        super().lose_power(now_s)
        self._forget()

    def _forget(self) -> None:
        self._seen = 0
        self._live = list(self._sequences.items())

    def _expects_data(self) -> bool:
        """Tell whether the next cycle is the data of a program command, in which any word may stand."""
        seen = self._seen
        return any(len(steps) > seen and steps[seen].data is Placeholder.DATA for _, steps in self._live)

    def _fits(self, step: Step, row: int, word: int) -> bool:
        if isinstance(step.address, int) and (row ^ step.address) & self._decoded:
            return False
        return not isinstance(step.data, int) or word == step.data

    def _carry_out(self, command: Command, row: int, word: int) -> None:
        part = self._part
        match command:
            case Command.PROGRAM:
                self._program(row, word)
            case Command.SECTOR_ERASE if part.sectors and not self.locked:
                size = part.sectors.size_bytes // part.word_bytes
                first = row // size * size
                self._erase(first, first + size)
                self._erase_time(part.sectors.erase_ms_typ, part.sectors.erase_ms_max)
            case Command.CHIP_ERASE if not self.locked:
                self._erase(0, self._cells.words)
                self._erase_time(part.erase.chip_ms_typ, part.erase.chip_ms_max)
            case Command.ID_ENTER:
                self.identifies = True
            case Command.ID_EXIT:
                self.identifies = False
            case _:
                pass

    def _erase(self, start: int, stop: int) -> None:
        self.flush()
        self._cells.erase_rows(start, stop)

    def _erase_time(self, typical_ms: float | None, longest_ms: float | None) -> None:
        self._work(0xFFFF, self._draw_s(_seconds(typical_ms, 1e3), _seconds(longest_ms, 1e3)))

    def _program(self, row: int, word: int) -> None:
        self._work(word, self._draw_cycle_s())
        if not self.locked:
            self._store(row, self._pending.get(row, 0xFFFF) & word)

    def _settle(self, rows: Rows, words: Words) -> None:
        """Programming only takes bits away from what is there."""
        self._cells.store(rows, self._cells.read(rows, self._part.supplies.vcc_read_v) & words)
