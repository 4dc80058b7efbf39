"""Parts that are written by pages: loads within a short time make a page, which the part then writes."""

import numpy as np

from daemon.catalogue.model import Part
from daemon.catalogue.terms import Command, Kind
from simulator.chip.cells import Cells
from simulator.chip.commands import Cycle, Machine

#: Longest pause between two loads of a page where the part file names none (AT28C256).
_PAGE_LOAD_US = 150.0


class PageWriter(Machine):
    """28C256 and 29C256: loads that follow each other within tBLC make a page; then the part writes it.

    The software protection's prefixes are part of the loads, and so are the ID commands of flash. A locked
    part drops what comes without the prefix and runs its timer all the same, so only a read-back shows it.
    An EEPROM keeps the bytes of a page that were not loaded; flash erases its page first, so there they are
    blank (sheets AT28C256, SST29EE010; AT29C010A calls them indeterminate; the latter two from memory).
    """

    def __init__(self, part: Part, cells: Cells, seed: int, locked: bool = False) -> None:
        super().__init__(part, cells, seed)
        assert part.write is not None
        self.locked = locked
        self._gap_s = (part.write.page_load_us_max or _PAGE_LOAD_US) / 1e6
        self._page_words = (part.write.page_bytes or 1) // part.word_bytes
        self._lock = _literals(part, Command.LOCK)
        self._unlock = _literals(part, Command.UNLOCK)
        self._erase = _literals(part, Command.CHIP_ERASE)
        self._ids = {
            enters: loads
            for enters, command in ((True, Command.ID_ENTER), (False, Command.ID_EXIT))
            if (loads := _literals(part, command))
        }
        self._whole_page = part.kind is Kind.FLASH
        self._loads: list[Cycle] = []
        self._closes_s = 0.0
        self._cycle_s = 0.0

    def advance(self, now_s: float) -> None:
        """Let time come to `now_s`; a page whose last load is longer ago than tBLC is written."""
        if self._loads and now_s > self._closes_s:
            self.now_s = max(self.now_s, self._closes_s)
            loads, self._loads = self._loads, []
            self._commit(loads)
        super().advance(now_s)

    def lose_power(self, now_s: float) -> None:
        """See the base class; a page that is still open is lost."""
        super().lose_power(now_s)
        self._loads = []

    @property
    def busy_until_s(self) -> float:
        """When the part will be done, an open page counted as if nothing more were loaded."""
        return self._closes_s + self._cycle_s if self._loads else self._busy_until_s

    def _deaf(self) -> bool:
        return self.now_s < self._busy_until_s

    def _take(self, row: int, word: int) -> None:
        if not self._loads:
            self._cycle_s = self._draw_cycle_s()
        self._loads.append((row, word))
        self._last_word = word
        self._closes_s = self.now_s + self._gap_s

    def _commit(self, loads: list[Cycle]) -> None:
        self._work(loads[-1][1], self._cycle_s)
        if self._erase and loads == self._erase:
            self._cells.erase_rows(0, self._cells.words)
            return
        for enters, sequence in self._ids.items():
            if loads == sequence:
                self.identifies = enters
                return
        allowed = not self.locked
        if self._lock and loads[: len(self._lock)] == self._lock:
            self.locked, allowed = True, True
            loads = loads[len(self._lock) :]
        elif self._unlock and loads[: len(self._unlock)] == self._unlock:
            self.locked, allowed = False, True
            loads = loads[len(self._unlock) :]
        if allowed and loads:
            self._write_page(loads)

    def _write_page(self, loads: list[Cycle]) -> None:
        """Write all loads to the page of the last one (ours: sheets forbid loads of several pages)."""
        page = loads[-1][0] // self._page_words * self._page_words
        content = {}
        if self._whole_page:
            blank = self._part.blank_byte * 0x0101 & (1 << self._part.width_bits) - 1
            content = dict.fromkeys(range(page, page + self._page_words), blank)
        content |= {page + row % self._page_words: word for row, word in loads}
        rows = np.array(list(content), dtype=np.uint32)
        self._cells.store(rows, np.array(list(content.values()), dtype=np.uint16))


def _literals(part: Part, command: Command) -> list[Cycle]:
    steps = part.write.commands.get(command, ()) if part.write else ()
    return [
        (step.address, step.data)
        for step in steps
        if isinstance(step.address, int) and isinstance(step.data, int)
    ]
