"""Hashes of short blocks, by which content is found in other content at any place.

A polynomial hash modulo 2**64 (Karp and Rabin, 1987) can be had for every place of some content by a few
passes over it: the hash of 2n bytes comes from two hashes of n. An *anchor* is the hash of one block of an
image at a place that is known; only blocks that say something (no fill, no short pattern) are taken.
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Bytes = NDArray[np.uint8]
    Hashes = NDArray[np.uint64]
    Places = NDArray[np.int64]

BLOCK_BYTES = 64
_EVERY_BYTES, _MOST = 512, 4096

MULTIPLIER = 0x9E3779B97F4A7C15
"""Odd, so that no byte is lost: 2**64 over the golden ratio (Knuth, The Art of Computer Programming 3)."""

_VALUES_MIN = 4
"""Fewer different bytes in a block are fill or a pattern, which stands everywhere."""


def rolling(data: "Bytes") -> "Hashes":
    """Return the hash of the block at every place of `data`; empty for less than a block."""
    import numpy as np

    hashes = data.astype(np.uint64) + np.uint64(1)
    span, power = 1, MULTIPLIER
    while span < BLOCK_BYTES:
        if len(hashes) <= span:
            return np.empty(0, dtype=np.uint64)
        hashes = hashes[:-span] * np.uint64(power) + hashes[span:]
        span, power = 2 * span, power * power & 0xFFFF_FFFF_FFFF_FFFF
    return hashes


def spacing_bytes(size_bytes: int) -> int:
    """Return from one anchor of an image to the next; a slice shorter than twice this may be missed."""
    every = _EVERY_BYTES
    while every * _MOST < size_bytes:
        every *= 2
    return every


def anchors(data: "Bytes") -> tuple["Hashes", "Places"]:
    """Return the anchors of an image: hashes and the byte addresses that they stand for.

    The last whole block is one too, so that short content has two.
    """
    import numpy as np

    last = len(data) - BLOCK_BYTES
    if last < 0:
        return np.empty(0, dtype=np.uint64), np.empty(0, dtype=np.int64)
    places = np.unique(np.append(np.arange(0, last + 1, spacing_bytes(len(data))), last))
    blocks = data[places[:, None] + np.arange(BLOCK_BYTES)[None, :]]
    ordered = np.sort(blocks, axis=1)
    telling = (ordered[:, 1:] != ordered[:, :-1]).sum(axis=1) + 1 >= _VALUES_MIN
    places, blocks = places[telling], blocks[telling]
    powers = np.array(
        [pow(MULTIPLIER, BLOCK_BYTES - 1 - at, 1 << 64) for at in range(BLOCK_BYTES)], dtype=np.uint64
    )
    hashes = ((blocks.astype(np.uint64) + np.uint64(1)) * powers[None, :]).sum(axis=1, dtype=np.uint64)
    return hashes, places.astype(np.int64)
