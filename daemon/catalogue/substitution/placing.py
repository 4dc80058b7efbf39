"""The content of a chip made from what the board is to read, and the way back."""

import numpy as np
from numpy.typing import NDArray

from daemon.catalogue.substitution.arrangement import Arrangement


def place(arrangement: Arrangement, content: bytes, blank_byte: int = 0xFF) -> bytes:
    """Return the whole chip's content with which the board reads `content`; the rest is `blank_byte`.

    `content` may be shorter than what the board reads. Raises ValueError when it is longer, or no whole
    number of the board's words.
    """
    unit = arrangement.unit_bytes
    if len(content) % unit or len(content) > arrangement.board_units * unit:
        raise ValueError(
            f"{len(content)} bytes are no content for {arrangement.board_units} words of {unit} bytes"
        )
    kind = _kind(unit)
    wanted = _permuted(np.frombuffer(content, dtype=kind), arrangement.data)
    chip = np.frombuffer(bytes([blank_byte]) * (arrangement.chip_units * unit), dtype=kind).copy()
    where = _chip_addresses(arrangement, len(wanted))
    for start in arrangement.starts():
        chip[where + start] = wanted
    return chip.tobytes()


def take(arrangement: Arrangement, chip: bytes) -> bytes:
    """Return what the board reads from a chip with this content (the first copy where it has several).

    Raises ValueError when `chip` is not the whole chip.
    """
    if len(chip) != arrangement.chip_units * arrangement.unit_bytes:
        raise ValueError(f"{len(chip)} bytes are not the whole chip")
    words = np.frombuffer(chip, dtype=_kind(arrangement.unit_bytes))
    where = _chip_addresses(arrangement, arrangement.board_units) + arrangement.starts()[0]
    back = [arrangement.data.index(bit) for bit in range(len(arrangement.data))]
    return _permuted(words[where], tuple(back)).tobytes()


Units = NDArray[np.unsignedinteger]


def _kind(unit_bytes: int) -> np.dtype[np.unsignedinteger]:
    return np.dtype("u1" if unit_bytes == 1 else "<u2")


def _chip_addresses(arrangement: Arrangement, count: int) -> NDArray[np.int64]:
    board = np.arange(count, dtype=np.int64)
    chip = np.zeros(count, dtype=np.int64)
    for bit, own in enumerate(arrangement.sources):
        if isinstance(own, int):
            chip |= (board >> own & 1) << bit
    return chip


def _permuted(words: Units, data: tuple[int, ...]) -> Units:
    """Return words whose bit k is bit `data[k]` of those given."""
    if data == tuple(range(len(data))):
        return words
    moved = np.zeros_like(words)
    for bit, own in enumerate(data):
        moved |= ((words >> np.asarray(own, words.dtype)) & np.asarray(1, words.dtype)) << np.asarray(
            bit, words.dtype
        )
    return moved
