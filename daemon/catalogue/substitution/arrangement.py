"""Where the content must lie in a chip so that the board finds it, and that in words."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

LOW, HIGH, LOOSE = "low", "high", "loose"
"""What an address pin has that no line of the board moves: one level, or one that cannot be relied on."""

Source = int | str
"""The bit of the board's address that an address pin gets, or LOW, HIGH or LOOSE."""


@dataclass(frozen=True, slots=True)
class Arrangement:
    """How a board's addresses and data bits meet a chip's.

    `sources[i]` is what the chip's address bit i gets, `data[k]` the board's data bit on the chip's data bit
    k. Addresses count units of `unit_bytes`, a word of the board's width.
    """

    unit_bytes: int
    board_units: int
    sources: tuple[Source, ...]
    data: tuple[int, ...]

    @property
    def chip_units(self) -> int:
        """Units that the chip holds."""
        return 1 << len(self.sources)

    @property
    def plain(self) -> bool:
        """Tell whether the content goes in as it is, from the start."""
        return self.starts() == (0,) and not self.moved_lines and self.data == tuple(range(len(self.data)))

    @property
    def moved_lines(self) -> tuple[tuple[int, int], ...]:
        """Chip address bit and the board's bit on it, where the two differ."""
        return tuple(
            (bit, own) for bit, own in enumerate(self.sources) if isinstance(own, int) and own != bit
        )

    def starts(self) -> tuple[int, ...]:
        """Return the addresses in the chip, in units, where the board's address 0 must be found."""
        choices = [_LEVELS[own] if isinstance(own, str) else (0,) for own in self.sources]
        return tuple(
            sorted(sum(level << bit for bit, level in enumerate(levels)) for levels in product(*choices))
        )

    def chip_address(self, board_address: int, start: int = 0) -> int:
        """Return where `board_address` is in the copy of the content that belongs to `start`."""
        moved = (
            (board_address >> own & 1) << bit for bit, own in enumerate(self.sources) if isinstance(own, int)
        )
        return start + sum(moved)

    def in_words(self) -> Iterator[str]:
        """Yield what has to be done to the content, as sentences; nothing when it goes in as it is."""
        if self.moved_lines:
            pairs = ", ".join(f"its line {bit} has the board's line {own}" for bit, own in self.moved_lines)
            yield f"Reorder the address lines of the content: {pairs}."
        if self.data != tuple(range(len(self.data))):
            moved = [(bit, own) for bit, own in enumerate(self.data) if bit != own]
            pairs = ", ".join(f"its bit {bit} has the board's bit {own}" for bit, own in moved)
            yield f"Reorder the data bits of the content: {pairs}."
        starts = [start * self.unit_bytes for start in self.starts()]
        if len(starts) > 1:
            shown = ", ".join(f"{start:#x}" for start in starts[:4]) + (", ..." if len(starts) > 4 else "")
            yield f"Write the content {len(starts)} times, at {shown}, so that either level reads the same."
        elif starts[0]:
            yield f"Write the content at {starts[0]:#x}: that is the part of the chip that the board reads."


_LEVELS = {LOW: (0,), HIGH: (1,), LOOSE: (0, 1)}
