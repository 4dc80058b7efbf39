"""Stretches of bytes, kept joined."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable

Stretch = tuple[int, int]
"""First byte, and the one behind the last."""


class Stretches:
    """A set of bytes as ascending stretches that neither meet nor overlap."""

    def __init__(self, stretches: Iterable[Stretch] = ()) -> None:
        self._starts: list[int] = []
        self._ends: list[int] = []
        for start, end in stretches:
            self.add(start, end)

    def add(self, start: int, end: int) -> None:
        """Add the bytes from `start` up to before `end`; `end` is the greater one."""
        first = bisect_left(self._ends, start)
        last = bisect_right(self._starts, end)
        if first < last:
            start = min(start, self._starts[first])
            end = max(end, self._ends[last - 1])
        self._starts[first:last] = [start]
        self._ends[first:last] = [end]

    def hold(self, start: int, end: int) -> bool:
        """Tell whether all bytes from `start` up to before `end` are in it."""
        at = bisect_right(self._starts, start) - 1
        return at >= 0 and end <= self._ends[at]

    def first(self, most: int) -> tuple[Stretch, ...]:
        """Return the first stretches, so many at most."""
        return tuple(zip(self._starts[:most], self._ends[:most], strict=True))
