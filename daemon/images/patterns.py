"""Contents made for testing a board: which line is broken shows in what the board reads."""

from enum import StrEnum

from daemon.errors import BenchError, Code
from daemon.images.values import MAX_CONTENT_BYTES


class Pattern(StrEnum):
    """What each word of a test content holds."""

    ADDRESS = "address"
    """Its own address, as far as it fits; the higher address bits are exclusive-ored in above."""
    WALKING_ONES = "walking-ones"
    """One 1 that moves up by a bit from word to word."""
    WALKING_ZEROS = "walking-zeros"
    CHECKERBOARD = "checkerboard"
    """Alternating 0x55 and 0xAA by word, so that all data lines change at every step."""


def pattern_content(pattern: Pattern, size_bytes: int, word_bytes: int = 1) -> bytes:
    """Make `size_bytes` of test content in words of 1 or 2 bytes, low byte first.

    Word addresses count words. In `address`, a word of w bits holds its address folded to w bits: the bits
    above are exclusive-ored onto the low ones in groups of w, so that two words whose addresses differ in one
    line always differ. Raises BenchError `image-placement` for a size that is no whole number of words.
    """
    import numpy as np  # late: the daemon starts without it

    if (
        word_bytes not in (1, 2)
        or not word_bytes <= size_bytes <= MAX_CONTENT_BYTES
        or size_bytes % word_bytes
    ):
        raise BenchError(
            Code.IMAGE_PLACEMENT,
            f"{size_bytes:,} bytes in words of {word_bytes} cannot be made",
            hint=f"Words of 1 or 2 bytes are accepted, whole words up to {MAX_CONTENT_BYTES:,} bytes.",
            details={"size_bytes": size_bytes, "word_bytes": word_bytes},
        )
    bits = 8 * word_bytes
    address = np.arange(size_bytes // word_bytes, dtype=np.uint32)
    if pattern is Pattern.ADDRESS:
        words = np.zeros_like(address)
        while address.any():
            words ^= address
            address = address >> np.uint32(bits)
    elif pattern is Pattern.CHECKERBOARD:
        words = np.where(address & 1, 0xAAAA, 0x5555)
    else:
        words = np.uint32(1) << address % np.uint32(bits)
        if pattern is Pattern.WALKING_ZEROS:
            words = ~words
    mask = (1 << bits) - 1
    return (words & mask).astype("<u2" if word_bytes == 2 else np.uint8).tobytes()
