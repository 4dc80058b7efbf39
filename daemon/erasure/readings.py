"""Counts of bits that light has not yet erased: which can be trusted, and which cannot be true."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from daemon.erasure.checks import within
from daemon.erasure.probit import Point, fit_line
from daemon.errors import BenchError, Code

SAME_SUPPLY_V = 0.05
"""Readings whose supplies differ by no more than this belong together."""
_EARLY = 0.99
"""With more than this share of bits left, nothing can be said yet but that it is early."""
_HALF_A_BIT = 0.5
_FLICKER_SHARE = 0.02
_FLICKER_BITS = 4
"""Near the trip point a count differs from read to read; it may rise by this share and number before it is
taken for another chip's (ours)."""
_STUCK_FACTOR = 1.3
_STUCK_SHARE = 0.8
_STUCK_BELOW = 0.05
"""A few bits (below 5 %) of which four fifths and more outlast 1.3 times the exposure do not follow any
erasing law: in the log-normal one with sigma 0.2 fewer than a third would be left (ours)."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A count of bits not erased, of those that were programmed at the start.

    `effective_s`: seconds of full output so far, cold starts taken off (above 0 to 10⁷). `bits_left` (0 or
    more): the median of `reads` counts at `vcc_v` (1 to 10).
    """

    effective_s: float
    bits_left: int
    vcc_v: float
    reads: int = 1

    def __post_init__(self) -> None:
        within("effective_s", self.effective_s, 0.1, 1e7, "s")
        within("bits_left", self.bits_left, 0, 1 << 30, "bits")
        within("vcc_v", self.vcc_v, 1, 10, "V")
        within("reads", self.reads, 1, 1000, "reads")


@dataclass(frozen=True, slots=True)
class Series:
    """The readings of one chip in the order of exposure, looked through by `series_of`.

    `points` are those that a line can be fitted to, all at one supply (`vcc_v`); `notes` says in words what
    was left out or is to be minded; `stuck_bits` counts bits that outlast light as no erasing law lets them.
    """

    bits: int
    readings: tuple[Reading, ...]
    points: tuple[Point, ...]
    vcc_v: float | None
    notes: tuple[str, ...]
    stuck_bits: int = 0

    @property
    def last(self) -> Reading | None:
        """The newest reading."""
        return self.readings[-1] if self.readings else None

    @property
    def effective_s(self) -> float:
        """Exposure up to the newest reading."""
        return self.readings[-1].effective_s if self.readings else 0.0


def series_of(
    bits_at_start: int,
    readings: Sequence[Reading],
    *,
    part_bits: int | None = None,
    lowest_v: float | None = None,
) -> Series:
    """Look readings of one chip through.

    `bits_at_start` are the bits that were programmed before (1 or more), `part_bits` all that the part has,
    `lowest_v` the lowest supply that part and programmer allow. Of counts with no light between them, at one
    supply, the last stands. Raises BenchError `erase-series-impossible` with the reason for a series that
    cannot be true.
    """
    within("bits_at_start", bits_at_start, 1, 1 << 30, "bits")
    if part_bits is not None and bits_at_start > part_bits:
        raise _impossible(
            f"{bits_at_start:,} bits were programmed at the start, but this part has {part_bits:,}",
            "The count is of another part: choose the part that is marked on the chip.",
        )
    _refuse_impossible(bits_at_start, readings)
    readings = _last_of_each(readings)
    usable = _one_supply(readings)
    vcc_v = usable[0].vcc_v if usable else None
    points = _informative(bits_at_start, usable)
    notes = _notes(bits_at_start, readings, usable, points, lowest_v)
    return Series(bits_at_start, tuple(readings), points, vcc_v, notes, _stuck(bits_at_start, usable))


def _refuse_impossible(bits: int, readings: Sequence[Reading]) -> None:
    for reading in readings:
        if reading.bits_left > bits + _flicker(bits):
            raise _impossible(
                f"{reading.bits_left:,} bits are left of {bits:,} that were programmed at the start",
                "Light programs nothing: this is another chip or part, or a pin does not touch.",
            )
    for before, after in pairwise(readings):
        if after.effective_s < before.effective_s:
            raise _impossible(
                f"a reading after {after.effective_s:.0f} s follows one after {before.effective_s:.0f} s",
                "Give the readings in the order of exposure, each with the whole time so far.",
            )
    for group in _by_supply(readings).values():
        for before, after in pairwise(group):
            if after.bits_left > before.bits_left + _flicker(before.bits_left):
                raise _impossible(
                    f"the count rises from {before.bits_left:,} to {after.bits_left:,} bits at"
                    f" {after.vcc_v:.2f} V"
                    f" between {before.effective_s:.0f} and {after.effective_s:.0f} s of light",
                    "Light only erases: another chip was counted, the chip was programmed in between, or a"
                    " pin"
                    " does not touch. Clean the pins, count again, or begin a new series.",
                )


def _last_of_each(readings: Sequence[Reading]) -> list[Reading]:
    """Leave out counts that were taken again with no light in between: a pin was cleaned, say."""
    kept: list[Reading] = []
    for reading in readings:
        kept = [each for each in kept if not _taken_again(each, reading)]
        kept.append(reading)
    return kept


def _taken_again(before: Reading, after: Reading) -> bool:
    same_supply = abs(before.vcc_v - after.vcc_v) <= SAME_SUPPLY_V
    return same_supply and math.isclose(before.effective_s, after.effective_s, rel_tol=1e-9)


def _impossible(message: str, hint: str) -> BenchError:
    return BenchError(Code.ERASE_SERIES_IMPOSSIBLE, f"{message}.", hint=hint, field="readings")


def _flicker(bits: int) -> float:
    return _FLICKER_BITS + _FLICKER_SHARE * bits + 3 * math.sqrt(bits)


def _by_supply(readings: Sequence[Reading]) -> dict[float, list[Reading]]:
    """Group readings by supply, lowest first."""
    groups: dict[float, list[Reading]] = {}
    for reading in sorted(readings, key=lambda each: each.vcc_v):
        key = next((vcc_v for vcc_v in groups if abs(vcc_v - reading.vcc_v) <= SAME_SUPPLY_V), reading.vcc_v)
        groups.setdefault(key, []).append(reading)
    return {vcc_v: sorted(group, key=lambda each: each.effective_s) for vcc_v, group in groups.items()}


def _one_supply(readings: Sequence[Reading]) -> list[Reading]:
    """Return the readings of the lowest supply with two or more of them, else those of the lowest."""
    groups = list(_by_supply(readings).values())
    return next((group for group in groups if len(group) > 1), groups[0] if groups else [])


def _informative(bits: int, readings: Sequence[Reading]) -> tuple[Point, ...]:
    """Leave out what says nothing: too early, or blank when it had to be.

    That a chip is blank only says that its last bit went some time before. It counts, as half a bit left,
    where the other readings would have had bits left then; elsewhere it is no point of the line, and taking
    it for one would ask for more light after each check.
    """
    points: list[Point] = []
    blank: Reading | None = None
    for reading in readings:
        if reading.bits_left == 0:
            blank = blank or reading
        if reading.bits_left > _EARLY * bits or blank:
            continue
        # A flicker upwards is no slope: the lower count before stands.
        left = min(reading.bits_left, int(points[-1].left)) if points else reading.bits_left
        points.append(Point(reading.effective_s, left, bits))
    if blank and (not points or fit_line(points).left_at(blank.effective_s) > _HALF_A_BIT):
        points.append(Point(blank.effective_s, 0, bits))
    return tuple(points)


def _stuck(bits: int, readings: Sequence[Reading]) -> int:
    for before, after in pairwise(readings):
        few = 0 < after.bits_left < _STUCK_BELOW * bits
        longer = after.effective_s >= _STUCK_FACTOR * before.effective_s
        if few and longer and after.bits_left >= _STUCK_SHARE * before.bits_left:
            return after.bits_left
    return 0


def _notes(
    bits: int,
    readings: Sequence[Reading],
    usable: Sequence[Reading],
    points: Sequence[Point],
    lowest_v: float | None,
) -> tuple[str, ...]:
    notes: list[str] = []
    if len(usable) < len(readings):
        notes.append(
            f"{len(readings) - len(usable)} of {len(readings)} readings were taken at another supply than"
            f" {usable[0].vcc_v:.2f} V and are left out: counts at different supplies are not one series."
        )
    if usable and lowest_v is not None and usable[0].vcc_v > lowest_v + SAME_SUPPLY_V:
        notes.append(
            f"Counted at {usable[0].vcc_v:.2f} V, but {lowest_v:.2f} V would do too: the count"
            " is too"
            " low and the time too short. Count at the lower supply."
        )
    if usable and any(each.reads < 5 for each in usable):
        notes.append(
            "Fewer than 5 reads made a count: near the trip point bits flicker, so take the median of 5."
        )
    early = sum(each.bits_left > _EARLY * bits for each in usable)
    if early:
        notes.append(f"{early} of the readings came before 1 % was erased and say nothing yet.")
    if len(points) > 1 and points[-1].left == 0:
        notes.append("A blank reading counts as half a bit left; the time errs long for it.")
    return tuple(notes)
