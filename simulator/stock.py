"""Sockets to start from, by name: what a user of the simulator can ask to find on the bench."""

import math
from collections.abc import Callable
from dataclasses import replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from daemon.catalogue.model import Part
from simulator.chip.chip import Chip
from simulator.socket import ContactFault, Placement, Socket

_WEAK_SLOW_PPM = 2000.0
_WEAK_CYCLES = 400.0


class Stock(StrEnum):
    """What is in the socket."""

    BLANK = "blank"
    """New, or well erased."""
    USED = "used"
    """Full of demo content."""
    HALF_ERASED = "half-erased"
    """Held demo content and got too little light: blank at nominal supply, not at a lower one."""
    REVERSED = "reversed"
    """Turned round."""
    SHIFTED = "shifted"
    """One pin too far up."""
    FOLDED = "folded"
    """One address pin is folded under the package."""
    WRONG = "wrong"
    """Another part than the one asked for."""
    NONE = "none"
    WEAK = "weak"
    """Worn: more words need several pulses, and it erases slowly."""
    STUCK = "stuck"
    """Blank but for one bit that cannot be programmed and one that always reads programmed."""
    LOCKED = "locked"
    """Holds demo content and refuses to be written (parts with such a lock)."""
    HALF_SIZE = "half-size"
    """Remarked: a die of half the size under the full-size label."""


_PLACED = {Stock.REVERSED: Placement(reversed=True), Stock.SHIFTED: Placement(shift=-1)}


def demo_content(part: Part, seed: int) -> NDArray[np.uint16]:
    """Return a whole chip of content, word by word: a legible heading, then seeded bytes."""
    size = part.size_bytes
    heading = f"SKERRY COMPUTER CLUB  TERN-8 MONITOR  COPY {seed}\r\n".encode()
    content = heading[:size] + np.random.default_rng(seed).bytes(max(size - len(heading), 0))
    words: NDArray[np.uint16] = np.frombuffer(content, dtype="<u2" if part.word_bytes == 2 else "u1")
    return words.astype(np.uint16)


def make_socket(
    part: Part,
    stock: Stock,
    seed: int = 0,
    *,
    socket_pins: int | None = None,
    other: Part | None = None,
) -> Socket:
    """Return a socket as `stock` says, made for `part`; it has the part's own number of pins if not told.

    `other` is the chip that is really there when the stock is WRONG. Raises ValueError when it is missing
    then, and for LOCKED with a part that has no lock.
    """
    pins = socket_pins or len(part.pins)
    if stock is Stock.NONE:
        return Socket(pins)
    if stock is Stock.WRONG:
        if other is None:
            raise ValueError("say which part the wrong chip is")
        return Socket(pins, Chip(other, seed))
    if stock in _PLACED:
        return Socket(pins, Chip(part, seed), placement=_PLACED[stock])
    if stock is Stock.FOLDED:
        socket = Socket(pins, Chip(part, seed))
        # A line in the middle: folding A0 or the top one would be an easy case.
        pin = part.address_pins[part.address_bits // 2]
        folded = socket.contacts()[pin]
        return Socket(pins, socket.remove(), faults={folded: ContactFault.OPEN})
    return Socket(pins, _CHIPS[stock](part, seed))


def _used(part: Part, seed: int) -> Chip:
    chip = Chip(part, seed)
    chip.program_at_maker(demo_content(part, seed))
    return chip


def _half_erased(part: Part, seed: int) -> Chip:
    chip = Chip(part, seed)
    # Its own constant, about a third of the sheet's dose, leaves 37 % of the charge: thresholds near 4.4 V.
    dose_j = chip.cells.process.dose_constant_j
    if dose_j == math.inf:
        raise ValueError(f"{part.name} is not erased by light")
    chip.cells.half_erased(demo_content(part, seed), dose_j)
    return chip


def _weak(part: Part, seed: int) -> Chip:
    sound = Chip(part, seed).cells.process
    chip = Chip(part, seed, process=replace(sound, slow_ppm=_WEAK_SLOW_PPM))
    chip.cells.wear(_WEAK_CYCLES)
    return chip


def _stuck(part: Part, seed: int) -> Chip:
    chip = Chip(part, seed)
    where = np.random.default_rng(seed)
    rows = where.choice(part.words, 2, replace=False)
    bits = where.integers(0, part.width_bits, 2)
    for row, bit, value in zip(rows, bits, (1, 0), strict=True):
        chip.cells.stuck(int(row), int(bit), value)
    return chip


def _locked(part: Part, seed: int) -> Chip:
    if part.write is None or not part.write.lockable:
        raise ValueError(f"{part.name} has no lock")
    chip = Chip(part, seed, locked=True)
    chip.program_at_maker(demo_content(part, seed))
    return chip


def _half_size(part: Part, seed: int) -> Chip:
    return Chip(part, seed, die_words=part.words // 2)


_CHIPS: dict[Stock, Callable[[Part, int], Chip]] = {
    Stock.BLANK: Chip,
    Stock.USED: _used,
    Stock.HALF_ERASED: _half_erased,
    Stock.WEAK: _weak,
    Stock.STUCK: _stuck,
    Stock.LOCKED: _locked,
    Stock.HALF_SIZE: _half_size,
}
