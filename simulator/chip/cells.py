"""The cells of one chip: a threshold each, 16 bits a cell, nothing else stored.

A cell reads erased when VCC is above its threshold and programmed when it is not; near the trip point noise
decides, read by read. `process` has the physics and its sources. What differs from cell to cell for good
(neutral threshold, attainable window, programming speed, ease of erasure) is drawn by hash and not stored,
so a 32-Mbit part takes 67 MB. Everything repeats with the seed and the order of calls.

A threshold of 0 marks a cell stuck at erased, the highest one a cell stuck at programmed.
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from simulator.chip import scatter
from simulator.chip.erase_laws import SLOW_FACTOR, SLOW_PPM, EraseLaw, factor_tables
from simulator.chip.process import Process

Rows = NDArray[np.uint32]
Words = NDArray[np.uint16]
Thresholds = NDArray[np.uint16]

_STUCK_ERASED = 0
_STUCK_PROGRAMMED = 0xFFFF
#: Noise is drawn only for cells this close to the trip point; farther off it cannot matter.
_NOISE_REACH = 6.0
#: Rows worked on at once where all are: keeps the temporaries small.
_BATCH_ROWS = 1 << 16


class Cells:
    """`words` x `width_bits` cells, blank at first.

    `blank_word` is the erased word: all ones, or all zeros for the few parts that erase to 0. A row is a
    word's place in the array.
    """

    def __init__(
        self, words: int, width_bits: int, process: Process, seed: int, blank_word: int = 0xFFFF
    ) -> None:
        self.words = words
        self.width_bits = width_bits
        self.fresh = process
        self.cycles = 0.0
        self._invert = np.uint16(~blank_word & ((1 << width_bits) - 1))
        self._keys = tuple(scatter.mix(seed, stream) for stream in (0, 1, 2, 3, 5))
        self._noise = np.random.default_rng(scatter.mix(seed, 4))
        self._dose_due_j = 0.0
        self._exposed = False
        self._bits = np.arange(width_bits, dtype=np.uint32)
        self._age()
        self._thresholds: Thresholds = np.empty((words, width_bits), dtype=np.uint16)
        self.blank()

    def _age(self) -> None:
        """Take the process, and the tables that follow from it, from the number of cycles."""
        self.process = process = self.fresh.worn(self.cycles)
        normal = scatter.normal_quantiles()
        self._neutral = np.float32(process.neutral_mv) + np.float32(process.neutral_sigma_mv) * normal
        self._window = np.float32(process.window_mv) * (1 + np.float32(process.window_sigma) * normal)
        self._speed = scatter.lognormal_quantiles(process.speed_sigma)
        self._resistance, self._resistance_tail = factor_tables(process.erase_law, process.dose_sigma)
        self._slow_below = int(process.slow_ppm * 1e-6 * 2**32)

    # Whole-chip states

    def blank(self) -> None:
        """Make the chip as it comes from the maker: every cell at its neutral threshold."""
        self._dose_due_j = 0.0
        for rows in self._batches():
            neutral, _ = self._at_rest(self._numbers(rows))
            self._thresholds[rows] = np.rint(neutral)

    def programmed(self, content: Words) -> None:
        """Make the chip a fresh one that was fully programmed with `content`, one word for each row."""
        if len(content) != self.words:
            raise ValueError(f"the content has {len(content)} words, the chip {self.words}")
        self.blank()
        for rows in self._batches():
            self._set(rows, content[rows])

    def half_erased(self, content: Words, dose_j_per_cm2: float) -> None:
        """Make the chip one that held `content` and then got too little light."""
        self.programmed(content)
        self.expose(dose_j_per_cm2)

    # What befalls the cells

    def pulse(self, rows: Rows, words: Words, vpp_v: float, width_s: float) -> None:
        """Give each row one programming pulse with a word at its data inputs; rows must not repeat.

        Only cells whose bit differs from the erased state are driven. `vpp_v` is the voltage at the chip.
        """
        self._settle()
        self._count_cycle()
        process = self.process
        share = process.attainable(vpp_v)
        if share <= 0:
            return
        constants = np.float32(process.time_constants(vpp_v, width_s))
        flat = self._thresholds.reshape(-1)
        cells = self._driven(rows, words)
        before = flat[cells]
        neutral, window = self._at_rest(cells)
        goal = neutral + np.float32(share) * window
        after = goal + (before - goal) * np.exp(-constants * self._speeds(cells))
        moved = np.clip(np.rint(after), 1, _STUCK_PROGRAMMED - 1).astype(np.uint16)
        moves = (after > before) & (before != _STUCK_ERASED) & (before != _STUCK_PROGRAMMED)
        flat[cells] = np.where(moves, moved, before)

    def store(self, rows: Rows, words: Words) -> None:
        """Write words as a chip with its own high voltage does: each bit fully programmed or erased."""
        self._settle()
        self._set(rows, words)

    def erase_rows(self, start: int, stop: int) -> None:
        """Erase a range of rows electrically, fully."""
        self._settle()
        blank = np.uint16(self._invert)
        for first in range(start, stop, _BATCH_ROWS):
            rows = np.arange(first, min(first + _BATCH_ROWS, stop), dtype=np.uint32)
            self._set(rows, np.full(len(rows), ~blank, dtype=np.uint16))

    def expose(self, dose_j_per_cm2: float) -> None:
        """Let light of 253.7 nm fall on the die; doses add up."""
        if dose_j_per_cm2 < 0:
            raise ValueError("a dose is not negative")
        self._dose_due_j += dose_j_per_cm2
        self._exposed = self._exposed or dose_j_per_cm2 > 0

    def wear(self, cycles: float) -> None:
        """Age the chip by so many erase cycles; what is stored stays."""
        self._settle()
        self.cycles += cycles
        self._age()

    def stuck(self, row: int, bit: int, value: int) -> None:
        """Make one cell read `value` (0 or 1) for ever."""
        self._settle()
        erased = value ^ (int(self._invert) >> bit & 1)
        self._thresholds[row, bit] = _STUCK_ERASED if erased else _STUCK_PROGRAMMED

    # Looking at them

    def read(self, rows: Rows, vcc_v: float) -> Words:
        """Return the words that the sense amplifiers find at this supply."""
        self._settle()
        start, count = (int(rows[0]), len(rows)) if len(rows) else (0, 0)
        straight = count > 1 and int(rows[-1]) - start == count - 1 and bool(np.all(np.diff(rows) == 1))
        result = np.empty(count, dtype=np.uint16)
        for first in range(0, count, _BATCH_ROWS):
            last = min(first + _BATCH_ROWS, count)
            found = (
                self._thresholds[start + first : start + last]
                if straight
                else self._thresholds[rows[first:last]]
            )
            result[first:last] = self._sense(found, vcc_v)
        return result ^ self._invert

    def _sense(self, found: Thresholds, vcc_v: float) -> Words:
        trip = min(max(round(1000 * vcc_v), 1), _STUCK_PROGRAMMED - 1)
        erased = found < trip
        reach = int(_NOISE_REACH * self.process.noise_mv)
        low = max(trip - reach, 1)
        near = np.flatnonzero((found.reshape(-1) - np.uint16(low)) < np.uint16(trip + reach - low))
        if len(near):
            noise = self._noise.normal(0.0, self.process.noise_mv, len(near))
            erased.reshape(-1)[near] = found.reshape(-1)[near] + noise < trip
        packed = np.packbits(erased, axis=1, bitorder="little")
        if self.width_bits == 16:
            return packed.view("<u2").reshape(-1).astype(np.uint16, copy=False)
        return packed.reshape(-1).astype(np.uint16)

    def thresholds_mv(self, rows: Rows) -> Thresholds:
        """Return a copy of the rows' thresholds, one column a bit."""
        self._settle()
        return self._thresholds[rows]

    def put_thresholds_mv(self, rows: Rows, thresholds: Thresholds) -> None:
        """Put back what `thresholds_mv` returned."""
        self._settle()
        self._thresholds[rows] = thresholds

    @property
    def stored_bytes(self) -> int:
        """Memory that the thresholds take."""
        return self._thresholds.nbytes

    # Inside

    def _batches(self) -> Iterator[slice]:
        for first in range(0, self.words, _BATCH_ROWS):
            yield slice(first, min(first + _BATCH_ROWS, self.words))

    def _numbers(self, rows: slice) -> Rows:
        cells = np.arange(rows.start * self.width_bits, rows.stop * self.width_bits, dtype=np.uint32)
        return cells.reshape(-1, self.width_bits)

    def _driven(self, rows: Rows, words: Words) -> NDArray[np.uint32]:
        """Return the numbers of the cells whose bit is not the erased one."""
        asked = ((words ^ self._invert)[:, None] >> self._bits.astype(np.uint16)) & np.uint16(1)
        cells = rows[:, None] * np.uint32(self.width_bits) + self._bits
        driven: NDArray[np.uint32] = cells[asked == 0]
        return driven

    def _at_rest(self, cells: NDArray[np.uint32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return neutral threshold and attainable window of cells, mV."""
        value = scatter.draws(cells, self._keys[0])
        return self._neutral[scatter.low_half(value)], self._window[scatter.high_half(value)]

    def _speeds(self, cells: NDArray[np.uint32]) -> NDArray[np.float32]:
        speeds = self._speed[scatter.low_half(scatter.draws(cells, self._keys[1]))]
        if self._slow_below:
            chance = scatter.draws(cells, self._keys[2])
            slow = np.flatnonzero(chance < self._slow_below)
            offset, slope = self.process.slow_speed
            speeds[slow] = 1 / (offset + slope * (chance[slow] / np.float32(self._slow_below)))
        return speeds

    def _set(self, rows: slice | Rows, words: Words) -> None:
        """Put the rows' cells where full programming or full erasure leaves them; stuck cells stay."""
        if isinstance(rows, slice):
            cells = self._numbers(rows)
        else:
            cells = rows[:, None] * np.uint32(self.width_bits) + self._bits
        neutral, window = self._at_rest(cells)
        bits = ((words ^ self._invert)[:, None] >> self._bits.astype(np.uint16)) & np.uint16(1)
        goal = np.rint(np.where(bits == 0, neutral + window, neutral)).astype(np.uint16)
        now = self._thresholds[rows]
        self._thresholds[rows] = np.where((now == _STUCK_ERASED) | (now == _STUCK_PROGRAMMED), now, goal)

    def _settle(self) -> None:
        """Carry out the exposure that is due. Late, so that many short ones round only once."""
        dose, self._dose_due_j = self._dose_due_j, 0.0
        if not dose or self.process.dose_constant_j == float("inf"):
            return
        constants = np.float32(dose / self.process.dose_constant_j)
        for rows in self._batches():
            cells = self._numbers(rows)
            neutral, _ = self._at_rest(cells)
            resistance = self._resistances(cells)
            now = self._thresholds[rows]
            left = np.rint(neutral + (now - neutral) * np.exp(-constants / resistance)).astype(np.uint16)
            keeps = (now <= neutral) | (now == _STUCK_PROGRAMMED)
            self._thresholds[rows] = np.where(keeps, now, left)

    def _resistances(self, cells: NDArray[np.uint32]) -> NDArray[np.float32]:
        """Return by what factor each cell needs more light than a typical one."""
        value = scatter.draws(cells, self._keys[3])
        step = scatter.low_half(value)
        found = self._resistance[step]
        last = step == scatter.TABLE_SIZE - 1
        found[last] = self._resistance_tail[scatter.high_half(value[last])]
        if self.process.erase_law is EraseLaw.SLOW_CELLS:
            slow = scatter.draws(cells, self._keys[4]) < np.uint32(SLOW_PPM * 1e-6 * 2**32)
            found[slow] *= np.float32(SLOW_FACTOR)
        return found

    def _count_cycle(self) -> None:
        """Age the chip by one cycle when it is programmed for the first time after light."""
        if self._exposed:
            self._exposed = False
            self.wear(1.0)
