"""What a chip holds instead of the image: the image in another order, or with a line that is not there.

Each look is one comparison of arrays, so that even a 4 MiB part is judged in a fraction of a second.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Bytes = NDArray[np.uint8]

#: Content that repeats itself looks like many things at once: below so many different bytes nothing is said.
_DIFFERENT_MIN = 8
#: Headers that programs put before memory content (common practice, no source).
HEADERS_BYTES = (16, 32, 64, 128, 512)


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
    for order in orders_of(asked, word_bytes):
        if np.array_equal(held, order.data):
            return Likeness(f"The chip holds the image {order.words}", _ORDER)
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


class OrderKind(StrEnum):
    """In which way an image gets into a chip otherwise than it should."""

    BYTES = "bytes"
    HALVES = "halves"
    WORDS = "words"
    INVERTED = "inverted"
    BITS = "bits"
    LOW = "low"
    HIGH = "high"


@dataclass(frozen=True, slots=True, eq=False)
class Order:
    """An image in another order. `shift_bytes`: how far it was moved, up being positive."""

    kind: OrderKind
    words: str
    data: "Bytes"
    shift_bytes: int = 0


def orders_of(asked: "Bytes", word_bytes: int, blank: int = 0xFF) -> "Iterator[Order]":
    """Yield the image in the orders in which it gets into chips by mistake."""
    import numpy as np

    size = asked.size
    if size % 2 == 0:
        what = "bytes of each word" if word_bytes == 2 else "even and odd bytes"
        swapped = asked.reshape(-1, 2)[:, ::-1].ravel()
        yield Order(OrderKind.BYTES, f"with {what} exchanged", swapped)
        yield Order(OrderKind.HALVES, "with its halves exchanged", np.roll(asked, size // 2))
    if size % 4 == 0 and word_bytes == 2:
        swapped = asked.reshape(-1, 2, 2)[:, ::-1].ravel()
        yield Order(OrderKind.WORDS, "with even and odd words exchanged", swapped)
    yield Order(OrderKind.INVERTED, "inverted", ~asked)
    reverse = np.packbits(np.unpackbits(asked.reshape(-1, 1), axis=1)[:, ::-1], axis=1)
    yield Order(OrderKind.BITS, "with the data lines of each byte in reverse order", reverse.ravel())
    for shift in HEADERS_BYTES:
        if shift < size:
            yield moved(asked, -shift, blank)
            yield moved(asked, shift, blank)


def moved(asked: "Bytes", shift_bytes: int, blank: int = 0xFF) -> Order:
    """Return the image moved up in the chip by `shift_bytes`, down when negative; the gap is blank."""
    import numpy as np

    far = abs(shift_bytes)
    gap = np.full(far, blank, np.uint8)
    if shift_bytes < 0:
        words = f"{far} bytes too low, without its first {far}"
        return Order(OrderKind.LOW, words, np.concatenate([asked[far:], gap]), shift_bytes)
    words = f"{far} bytes too high"
    return Order(OrderKind.HIGH, words, np.concatenate([gap, asked[:-far]]), shift_bytes)


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
