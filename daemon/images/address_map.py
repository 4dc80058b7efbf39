"""Which bytes of which file stand where in a chip, as few lines that a person can follow."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from daemon.images.content import Origin, Origins
from daemon.images.model import Range

MAX_ROWS = 64
"""Most rows told. Content with reordered address lines has more; its steps in words then say more."""

_GROUPS = (1, 2, 4, 8)
_FIRST_REACH = 64
_LAST_REACH = 1 << 18
_WORDS = {Origin.FILLED: "fill", Origin.MADE: "made by a step", Origin.GAP: "missing"}


@dataclass(frozen=True, slots=True)
class MapRow:
    """One stretch of a chip and where it comes from.

    `source` is a file's name, or None for filled, made and missing bytes (`origin` says which). The stretch
    consists of groups of `len(pattern)` bytes. The first group is taken from the source at
    `source_start_bytes`, byte i of it from `pattern[i]` bytes further on; each group comes `stride_bytes`
    after the one before.
    """

    start_bytes: int
    end_bytes: int
    source: str | None
    origin: str
    source_start_bytes: int = 0
    stride_bytes: int = 0
    pattern: tuple[int, ...] = (0,)

    @property
    def groups(self) -> int:
        """How many groups the stretch has."""
        return (self.end_bytes - self.start_bytes) // len(self.pattern)

    @property
    def words(self) -> str:
        """The row as people read it."""
        here = f"{self.start_bytes:#07x} to {self.end_bytes - 1:#07x}"
        if self.source is None:
            return f"{here}: {self.origin}"
        group, first = len(self.pattern), self.source_start_bytes
        ends = first, first + (self.groups - 1) * self.stride_bytes
        low, high = min(ends), max(ends) + max(self.pattern)
        there = f"{self.source} {low:#07x} to {high:#07x}"
        how = []
        if self.groups > 1 and self.stride_bytes != group:
            what = "one byte" if group == 1 else f"{group} bytes"
            how.append(f"{what} every {self.stride_bytes}")
        if self.pattern != tuple(range(group)):
            how.append(f"each {group} in the order {' '.join(map(str, self.pattern))}")
        return f"{here}: {', '.join((there, *how))}"


@dataclass(frozen=True, slots=True)
class AddressMap:
    """Rows by chip address. `complete` is false when there are more than the rows that are told."""

    rows: tuple[MapRow, ...]
    complete: bool


def address_map(origin: Origins, names: Mapping[str, Range]) -> AddressMap:
    """Describe where content comes from; `names` gives each file its numbers of bytes.

    Bytes are told one by one if that takes few rows, else in the smallest groups of 2, 4 or 8 that do.
    """
    for group in _GROUPS:
        if len(origin) % group:
            break
        rows = [row for run in _runs(origin.reshape(-1, group)) for row in _rows(*run, names)]
        if len(rows) <= MAX_ROWS:
            return AddressMap(tuple(rows), True)
    rows = [row for run in _runs(origin.reshape(-1, 1)) for row in _rows(*run, names)]
    return AddressMap(tuple(rows[:MAX_ROWS]), False)


_Run = tuple[int, int, list[int], int]
"""Index of the first group and past the last, numbers of the first group's bytes, stride."""


def _runs(groups: Origins) -> Iterator[_Run]:
    """Yield runs of groups that move on evenly, up to a few more than the limit."""
    at = told = 0
    while at < len(groups) and told <= MAX_ROWS:
        end, stride = _run_from(groups, at)
        yield at, end, groups[at].tolist(), stride
        at, told = end, told + 1


def _run_from(groups: Origins, at: int) -> tuple[int, int]:
    """Return the end of the run that begins at group `at`, and its stride."""
    if at + 1 == len(groups):
        return at + 1, 0
    first = groups[at].astype(np.int64)
    steps = np.unique(groups[at + 1] - first)
    mixed = first.min() < 0 and (bool(steps[0]) or len(np.unique(first)) > 1)
    if len(steps) > 1 or mixed or (groups[at + 1].min() < 0) != (first.min() < 0):
        return at + 1, 0
    stride, end, reach = int(steps[0]), at + 2, _FIRST_REACH
    while end < len(groups):
        stop = min(end + reach, len(groups))
        expected = first + stride * np.arange(end - at, stop - at, dtype=np.int64)[:, np.newaxis]
        as_expected = (groups[end:stop] == expected).all(axis=1)
        if not as_expected.all():
            return end + int(np.argmin(as_expected)), stride
        end, reach = stop, min(reach * 4, _LAST_REACH)
    return end, stride


def _rows(
    start: int, end: int, first: list[int], stride: int, names: Mapping[str, Range]
) -> Iterator[MapRow]:
    """Yield the row of a run, or one for each file where a stride leads from one to another."""
    group, lowest = len(first), min(first)
    here = MapRow(start * group, end * group, None, "")
    if lowest < 0:
        if max(first) >= 0 or len(set(first)) > 1:
            # Bytes of several kinds in one group: another size of group has to describe it.
            for index, number in enumerate(first):
                yield from _rows(start * group + index, start * group + index + 1, [number], 0, names)
            return
        yield replace(here, origin=_WORDS[Origin(lowest)])
        return
    name, numbers = next((n, r) for n, r in names.items() if r.start_bytes <= first[0] < r.end_bytes)
    inside = end - start
    if stride > 0:
        inside = min(inside, (numbers.end_bytes - 1 - first[0]) // stride + 1)
    elif stride < 0:
        inside = min(inside, (first[0] - numbers.start_bytes) // -stride + 1)
    yield MapRow(
        start * group,
        (start + inside) * group,
        name,
        "file",
        lowest - numbers.start_bytes,
        stride,
        tuple(each - lowest for each in first),
    )
    if inside < end - start:
        rest = [number + inside * stride for number in first]
        yield from _rows(start + inside, end, rest, stride, names)
