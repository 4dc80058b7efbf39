"""Content that says the same thing twice: what it really needs, and which parts hold just that."""

from collections.abc import Iterable
from dataclasses import dataclass

from daemon.catalogue.model import Part

MIN_UNIT_BYTES = 256
"""Shorter repeats are patterns within content, not content written twice: no part is smaller."""

_NAMES_TOLD = 4


@dataclass(frozen=True, slots=True)
class Repeats:
    """Content of `size_bytes` that is its first `unit_bytes` written `times` times; 1 where it is not."""

    size_bytes: int
    unit_bytes: int
    times: int


def repeats_of(data: bytes, *, blank: int = 0xFF) -> Repeats:
    """Find the smallest half, quarter and so on that makes up all of the content; blank content has none."""
    size = unit = len(data)
    if data.count(blank) < size:
        while unit % 2 == 0 and unit // 2 >= MIN_UNIT_BYTES and data[: unit // 2] == data[unit // 2 : unit]:
            unit //= 2
    return Repeats(size, unit, size // unit if unit else 1)


def repeat_words(found: Repeats, parts: Iterable[Part]) -> str:
    """Say in a sentence what a repeat means, and which parts of the catalogue it fits; empty where none."""
    if found.times < 2:
        return ""
    if found.times == 2:
        start = "The upper half repeats the lower"
    else:
        start = f"The first {found.unit_bytes:,} bytes stand {found.times} times"
    names = fitting_names(parts, found.unit_bytes)
    if not names:
        return f"{start}: {found.unit_bytes:,} bytes are all there is."
    return f"{start}: it fits a {names[0]}." if len(names) == 1 else f"{start}: it fits {_either(names)}."


def fitting_names(parts: Iterable[Part], size_bytes: int) -> tuple[str, ...]:
    """Return short names of the byte-wide parts that hold exactly `size_bytes`, the most common first."""
    counts: dict[str, int] = {}
    for part in parts:
        if part.size_bytes == size_bytes and part.width_bits == 8:
            name = part.aliases[0] if part.aliases else part.name
            counts[name] = counts.get(name, 0) + 1
    return tuple(sorted(counts, key=lambda name: (-counts[name], name))[:_NAMES_TOLD])


def _either(names: tuple[str, ...]) -> str:
    return f"a {', '.join(names[:-1])} or {names[-1]}"
