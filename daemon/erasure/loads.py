"""A tray of chips that need different doses: a time for each, and whether one load or two is quicker."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from daemon.erasure.checks import within
from daemon.erasure.estimate import EraseEstimate, estimate_erase
from daemon.erasure.inputs import Losses, Spread
from daemon.erasure.lamp import Lamp
from daemon.erasure.light import LampStrength, TrayPlace
from daemon.erasure.tray import Footprint, Place, Tray, lay_out
from daemon.errors import BenchError

_CHIPS_MAX = 500


class Way(StrEnum):
    """How to bring a mixed tray to its end."""

    TAKE_OUT = "take-out"
    """All chips together; each is taken out when its own time is over."""
    TWO_LOADS = "two-loads"
    """Those with the small dose first, then the others, each load in the brightest places."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Chips of one kind: their label, how many (1 to 500), the dose they need, and their size."""

    label: str
    chips: int
    dose_j_per_cm2: float
    footprint: Footprint

    def __post_init__(self) -> None:
        within("chips", self.chips, 1, _CHIPS_MAX, "chips")
        within("dose_j_per_cm2", self.dose_j_per_cm2, 0.1, 1000, "J/cm²")


@dataclass(frozen=True, slots=True)
class ChipTime:
    """One chip of a load: where it lies and how long it stays. `load` counts from 1."""

    label: str
    load: int
    place: Place
    footprint: Footprint
    estimate: EraseEstimate

    @property
    def time_s(self) -> Spread:
        """Its own exposure."""
        return self.estimate.time_s


@dataclass(frozen=True, slots=True)
class TrayPlan:
    """Chips in the order in which they are done, and how long the lamp is lit in all (seconds)."""

    way: Way
    chips: tuple[ChipTime, ...]
    total_s: Spread

    @property
    def takings(self) -> int:
        """How often the box is opened before the end: once for each time by which some chips are done."""
        return len({(chip.load, round(chip.time_s.nominal / 60)) for chip in self.chips})


def plan_tray(
    lamp: Lamp,
    tray: Tray,
    wanted: Sequence[Wanted],
    *,
    strength: LampStrength | None = None,
    losses: Losses | None = None,
) -> tuple[TrayPlan, ...]:
    """Plan a tray; the plan with the shortest lit time comes first.

    Those that need most light get the brightest places. With more than one dose there is a second plan, with
    the smallest dose as a load of its own. Every chip gets its own time, from the light at its own place.
    Raises BenchError `erase-estimate-input` when the chips do not fit on the tray (one load) at all.
    """
    light = _Light(lamp, tray, strength, losses)
    doses = sorted({each.dose_j_per_cm2 for each in wanted})
    plans: list[TrayPlan] = []
    try:
        plans.append(_of(Way.TAKE_OUT, [light.load(1, wanted)]))
    except BenchError:
        if len(doses) == 1:
            raise  # else two loads may still fit, one after the other
    if len(doses) > 1:
        small = [each for each in wanted if each.dose_j_per_cm2 == doses[0]]
        large = [each for each in wanted if each.dose_j_per_cm2 != doses[0]]
        plans.append(_of(Way.TWO_LOADS, [light.load(1, small), light.load(2, large)]))
    return tuple(sorted(plans, key=lambda plan: plan.total_s.nominal))


@dataclass(frozen=True, slots=True)
class _Light:
    lamp: Lamp
    tray: Tray
    strength: LampStrength | None
    losses: Losses | None

    def load(self, number: int, wanted: Sequence[Wanted]) -> list[ChipTime]:
        """Put one load on the tray and give each chip its time, the first to be done first."""
        # The largest package of a load sets the spacing, so that any chip can have any place.
        footprint = Footprint(
            max(each.footprint.along_mm for each in wanted), max(each.footprint.across_mm for each in wanted)
        )
        places = iter(lay_out(self.lamp, self.tray, footprint, sum(each.chips for each in wanted)))
        chips = [
            ChipTime(each.label, number, place, each.footprint, self._estimate(each.dose_j_per_cm2, place))
            for each in sorted(wanted, key=lambda each: -each.dose_j_per_cm2)
            for _, place in zip(range(each.chips), places, strict=False)
        ]
        return sorted(chips, key=lambda chip: chip.time_s.nominal)

    def _estimate(self, dose_j_per_cm2: float, place: Place) -> EraseEstimate:
        spot = TrayPlace(self.lamp, place.along_mm, place.across_mm, self.strength)
        return estimate_erase(dose_j_per_cm2, spot, losses=self.losses)


def _of(way: Way, loads: Sequence[Sequence[ChipTime]]) -> TrayPlan:
    longest = [
        Spread(
            max(chip.time_s.low for chip in load),
            max(chip.time_s.nominal for chip in load),
            max(chip.time_s.high for chip in load),
        )
        for load in loads
    ]
    total = Spread(
        sum(each.low for each in longest),
        sum(each.nominal for each in longest),
        sum(each.high for each in longest),
    )
    return TrayPlan(way, tuple(chip for load in loads for chip in load), total)


def sentinels_of(chips: Sequence[ChipTime], count: int = 3) -> tuple[int, ...]:
    """Return the indices of the chips to judge the tray by: those whose time is longest.

    Two or three (fewer if there are fewer chips): the one at the darkest place of the largest dose, then the
    next ones that lie elsewhere. The others get no less of what they need, and are blank-checked at the end.
    """
    order = sorted(range(len(chips)), key=lambda index: -chips[index].time_s.nominal)
    return tuple(order[: max(1, min(count, 3, len(chips)))])
