"""The figures by which people compare content: checksums, how much is blank, what repeats."""

import hashlib
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.images.model import Range

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

MIN_GAP_BYTES = 16
"""Blank stretches shorter than this count as content: single blank bytes stand in any program."""

MAX_RANGES = 64
"""Most used ranges told; when there are more, the shortest gaps are left out."""


@dataclass(frozen=True, slots=True)
class ContentFacts:
    """Figures of plain content.

    `byte_sum` adds all bytes, `word_sum_le` all 16-bit words with the low byte first (a last odd byte as a
    word with a high byte of zero); both are whole, and the 16-bit checksum printed on labels is their low
    four hexadecimal digits. `blank_share` is the fraction of bytes equal to the blank value, 0 to 1.
    `used_ranges` are the stretches that are not blank, gaps of fewer than 16 bytes ignored;
    `used_ranges_simplified` tells that longer gaps were ignored too, to keep the list short.
    `upper_half_repeats_lower` is false for an odd length.
    """

    size_bytes: int
    crc32: int
    sha1: str
    sha256: str
    byte_sum: int
    word_sum_le: int
    blank_share: float
    used_ranges: tuple[Range, ...]
    used_ranges_simplified: bool
    upper_half_repeats_lower: bool

    @property
    def byte_sum_16(self) -> int:
        """The sum of all bytes, its low 16 bits."""
        return self.byte_sum & 0xFFFF

    @property
    def word_sum_le_16(self) -> int:
        """The sum of all 16-bit little-endian words, its low 16 bits."""
        return self.word_sum_le & 0xFFFF


def content_facts(data: bytes, *, blank: int = 0xFF) -> ContentFacts:
    """Work out the figures of some content; `blank` is the part's erased byte.

    CRC-32 is zlib's (CRC-32/ISO-HDLC). Takes some 0.3 s for 16 MiB. Empty content has all sums zero.
    """
    import numpy as np  # late: the daemon starts without it

    values = np.frombuffer(data, dtype=np.uint8)
    words = np.frombuffer(data, dtype="<u2", count=len(data) // 2)
    odd = data[-1] if len(data) % 2 else 0
    used = values != blank
    used_bytes = int(np.count_nonzero(used))
    ranges, simplified = _used_ranges(used) if used_bytes else ((), False)
    half = len(data) // 2
    return ContentFacts(
        size_bytes=len(data),
        crc32=zlib.crc32(data),
        sha1=hashlib.sha1(data, usedforsecurity=False).hexdigest(),
        sha256=hashlib.sha256(data).hexdigest(),
        byte_sum=int(values.sum(dtype=np.uint64)),
        word_sum_le=int(words.sum(dtype=np.uint64)) + odd,
        blank_share=(len(data) - used_bytes) / len(data) if data else 0.0,
        used_ranges=ranges,
        used_ranges_simplified=simplified,
        upper_half_repeats_lower=bool(data)
        and len(data) % 2 == 0
        and bool(np.array_equal(values[:half], values[half:])),
    )


def _used_ranges(used: "NDArray[np.bool_]") -> tuple[tuple[Range, ...], bool]:
    import numpy as np

    edges = np.flatnonzero(np.diff(used, prepend=False, append=False))
    starts, ends = edges[::2], edges[1::2]
    gaps = starts[1:] - ends[:-1]
    wide = np.flatnonzero(gaps >= MIN_GAP_BYTES)
    simplified = len(wide) > MAX_RANGES - 1
    if simplified:
        widest = np.argsort(-gaps[wide], kind="stable")[: MAX_RANGES - 1]
        wide = np.sort(wide[widest])
    firsts = [int(starts[0]), *starts[wide + 1].tolist()]
    lasts = [*ends[wide].tolist(), int(ends[-1])]
    return tuple(Range(start, end) for start, end in zip(firsts, lasts, strict=True)), simplified
