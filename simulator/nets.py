"""What is on a wire: supplies, logic levels, and lines that change from word to word.

A programmer reads and writes blocks of words, so a wire is described once for the whole block: constant
*feeds* plus a mask of *lines* (address and driven data bits). Wires that touch are wired-and: the low one
wins.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum, auto

import numpy as np
from numpy.typing import NDArray

from simulator.rails import Rails

#: What the programmer's logic drivers put out for a 1 (ours: a 5 V board), and what an input takes for a 1
#: (TTL).
LOGIC_HIGH_V = 5.0
INPUT_HIGH_V = 2.0

#: In a word of lines the address is in the low 32 bits and the driven data above them.
DATA_SHIFT = 32


class Feed(Enum):
    """Something that holds a wire at one voltage for a whole block of words."""

    GROUND = auto()
    LOW = auto()
    HIGH = auto()
    VCC = auto()
    VPP = auto()
    ID = auto()

    def volts(self, rails: Rails) -> float:
        """Return the voltage of this feed with these rails."""
        match self:
            case Feed.HIGH:
                return LOGIC_HIGH_V
            case Feed.VCC:
                return rails.vcc_v
            case Feed.VPP:
                return rails.vpp_v
            case Feed.ID:
                return rails.id_v
            case _:
                return 0.0


SUPPLIES = frozenset({Feed.VCC, Feed.VPP, Feed.ID})


@dataclass(frozen=True, slots=True)
class Net:
    """One wire: its constant feeds and the lines on it (bit mask as in `DATA_SHIFT`); neither: it floats."""

    feeds: frozenset[Feed] = frozenset()
    lines: int = 0

    @property
    def floats(self) -> bool:
        """Tell whether nothing drives the wire."""
        return not self.feeds and not self.lines

    def level(self, live: frozenset[Feed]) -> bool | None:
        """Return the logic level where `live` supplies are on; None when it floats or follows its lines.

        Ground wins over a supply, a supply over logic drivers, low over high; a supply that is off is
        weakly low.
        """
        if Feed.GROUND in self.feeds:
            return False
        if self.feeds & live:
            return True
        if Feed.LOW in self.feeds:
            return False
        if self.lines or not self.feeds:
            return None
        return Feed.HIGH in self.feeds

    def volts(self, rails: Rails, lines_high: bool) -> float:
        """Return the voltage when the lines on this wire are all high, or not; NaN when it floats."""
        if self.floats:
            return float("nan")
        live = live_supplies(rails)
        level = self.level(live)
        if level and (supplies := self.feeds & live):
            return min(feed.volts(rails) for feed in supplies)
        high = lines_high if level is None else level
        return LOGIC_HIGH_V if high else 0.0


def live_supplies(rails: Rails) -> frozenset[Feed]:
    """Return the supplies that are on, high enough for a logic 1."""
    return frozenset(feed for feed in SUPPLIES if feed.volts(rails) >= INPUT_HIGH_V)


def join(nets: Iterable[Net]) -> Net:
    """Return the wire that these make when they touch."""
    feeds: frozenset[Feed] = frozenset()
    lines = 0
    for net in nets:
        feeds |= net.feeds
        lines |= net.lines
    return Net(feeds, lines)


def lines_of(addresses: NDArray[np.uint32], words: NDArray[np.uint16] | None = None) -> NDArray[np.uint64]:
    """Return words of lines for a block of addresses and, where data are driven, the data."""
    lines = addresses.astype(np.uint64)
    if words is not None:
        lines |= words.astype(np.uint64) << np.uint64(DATA_SHIFT)
    return lines


class BitMap:
    """Makes words out of words: each bit is the AND of some source bits, or constant.

    `masks[i]` are the source bits that make bit `i`; 0 makes it constant, as in `ones`.
    """

    def __init__(self, masks: Sequence[int], ones: int = 0) -> None:
        moves: dict[int, int] = {}
        self._ands: list[tuple[int, int]] = []
        self._ones = ones
        for bit, mask in enumerate(masks):
            if mask.bit_count() == 1:
                shift = mask.bit_length() - 1 - bit
                moves[shift] = moves.get(shift, 0) | mask
            elif mask:
                self._ands.append((bit, mask))
        self._moves = tuple(sorted(moves.items()))

    def apply(self, source: NDArray[np.uint64]) -> NDArray[np.uint64]:
        """Return the words made out of `source`."""
        result = np.full(source.shape, self._ones, dtype=np.uint64)
        for shift, mask in self._moves:
            picked = source & np.uint64(mask)
            result |= picked >> np.uint64(shift) if shift >= 0 else picked << np.uint64(-shift)
        for bit, mask in self._ands:
            high = (source & np.uint64(mask)) == np.uint64(mask)
            result |= high.astype(np.uint64) << np.uint64(bit)
        return result

    def apply_one(self, source: int) -> int:
        """Return the word made out of one source word."""
        result = self._ones
        for shift, mask in self._moves:
            picked = source & mask
            result |= picked >> shift if shift >= 0 else picked << -shift
        for bit, mask in self._ands:
            result |= (source & mask == mask) << bit
        return result
