"""What a chip holds instead of the image: the image in another order, or with a line that is not there.

Each look is one comparison of arrays, so that even a 4 MiB part is judged in a fraction of a second.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Bytes = NDArray[np.uint8]

#: Content that repeats itself looks like many things at once: below so many different bytes nothing is said.
_DIFFERENT_MIN = 8
#: Headers that programs put before memory content (common practice, no source).
_HEADERS_BYTES = (16, 32, 64, 128, 512)


@dataclass(frozen=True, slots=True)
class Likeness:
    """What the chip holds, as a sentence without its full stop, and what to do about it."""

    words: str
    advice: str


_ORDER = "Prepare the image in the other order, or take the right file; then erase and program it."
_PINS = "Look for a bent or dirty pin and into the socket, then verify again: the chip may well be right."


def likeness(wanted: bytes, got: bytes, word_bytes: int) -> Likeness | None:
    """Return what `got` is in relation to `wanted`, None when nothing simple explains it.

    Both are the same stretch of a part from its first byte on, words of `word_bytes` with the low byte first.
    """
    import numpy as np

    asked, held = np.frombuffer(wanted, np.uint8), np.frombuffer(got, np.uint8)
    for value, known in _UNIFORM.items():
        if held.size and bool((held == value).all()) and not bool((asked == value).all()):
            return known
    if np.unique(asked).size < _DIFFERENT_MIN:
        return None
    for looks_like, words in _orders(asked, word_bytes):
        if np.array_equal(held, looks_like):
            return Likeness(f"The chip holds the image {words}", _ORDER)
    line = _one_address_line(asked, held, word_bytes) or _one_data_line(asked, held, word_bytes)
    return Likeness(line, _PINS) if line else None


_UNIFORM = {
    0xFF: Likeness(
        "The chip reads FF everywhere",
        "It is blank, or its select and output pins do not reach it: look at the pins, then verify again.",
    ),
    0x00: Likeness(
        "The chip reads 00 everywhere",
        "Every bit was programmed, or its outputs are shorted: look at the pins, then verify again.",
    ),
}


def _orders(asked: "Bytes", word_bytes: int) -> "Iterator[tuple[Bytes, str]]":
    """Yield the image in the orders in which it gets into chips by mistake."""
    import numpy as np

    size = asked.size
    if size % 2 == 0:
        what = "bytes of each word" if word_bytes == 2 else "even and odd bytes"
        yield asked.reshape(-1, 2)[:, ::-1].ravel(), f"with {what} exchanged"
        yield np.roll(asked, size // 2), "with its halves exchanged"
    if size % 4 == 0 and word_bytes == 2:
        yield asked.reshape(-1, 2, 2)[:, ::-1].ravel(), "with even and odd words exchanged"
    yield ~asked, "inverted"
    reverse = np.packbits(np.unpackbits(asked.reshape(-1, 1), axis=1)[:, ::-1], axis=1)
    yield reverse.ravel(), "with the data lines of each byte in reverse order"
    for shift in _HEADERS_BYTES:
        if shift < size:
            blank = np.full(shift, 0xFF, np.uint8)
            yield np.concatenate([asked[shift:], blank]), f"{shift} bytes too low, without its first {shift}"
            yield np.concatenate([blank, asked[:-shift]]), f"{shift} bytes too high"


def _one_address_line(asked: "Bytes", held: "Bytes", word_bytes: int) -> str | None:
    """Tell of an address line that always reads low or high: half of the image is then there twice."""
    import numpy as np

    words = asked.size // word_bytes
    if words * word_bytes != asked.size or words & (words - 1):
        return None
    for line in range(words.bit_length() - 1):
        span = word_bytes << line
        halves = asked.reshape(-1, 2, span)
        for level, name in ((0, "low"), (1, "high")):
            if np.array_equal(held.reshape(-1, 2, span), np.repeat(halves[:, level : level + 1], 2, axis=1)):
                return f"The chip answers as if its address line A{line} were always {name}"
    return None


def _one_data_line(asked: "Bytes", held: "Bytes", word_bytes: int) -> str | None:
    """Tell of a data line that always reads the same, where all that is wrong is on it."""
    import numpy as np

    kind = "<u2" if word_bytes == 2 else "u1"
    if asked.size % word_bytes:
        return None
    wanted, got = asked.view(kind), held.view(kind)
    wrong = int(np.bitwise_or.reduce(wanted ^ got))
    if wrong == 0 or wrong & (wrong - 1):
        return None
    line = wrong.bit_length() - 1
    on_it = got >> line & 1
    for level in (0, 1):
        if bool((on_it == level).all()):
            return f"Its data line D{line} always reads {level}"
    return None
