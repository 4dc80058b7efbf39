"""The chips of an exposure, as its plan holds them, and how much light each has had."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from daemon.erasure.ageing import WarmUp
from daemon.erasure.inputs import Spread
from daemon.erasure.readings import Reading, Series, series_of
from daemon.store.exposure_model import ExposureRecord


@dataclass(frozen=True, slots=True)
class TrayChip:
    """One chip of a tray.

    Seconds are seconds at full output. `in_from_s` is the exposure's own light when it went in (None: it is
    out), `light_before_s` what it had before that. `bits_at_start` is None until it was counted unexposed;
    `lowest_v` is the lowest supply it was, or could be, read at.
    """

    part_id: str
    label: str
    dose_j_per_cm2: float
    along_mm: float
    across_mm: float
    new_mw_per_cm2: float
    sheet_low_s: float
    sheet_nominal_s: float
    sheet_high_s: float
    sentinel: bool
    part_bits: int
    lowest_v: float
    lot_id: str | None = None
    chip_id: str | None = None
    bits_at_start: int | None = None
    in_from_s: float | None = 0.0
    light_before_s: float = 0.0
    failed: bool = False
    #: The job that counted its bits before any light.
    start_job: str | None = None

    @property
    def sheet_s(self) -> Spread:
        """The data sheet's exposure at its place."""
        return Spread(self.sheet_low_s, self.sheet_nominal_s, self.sheet_high_s)

    def light_s(self, exposure_s: float) -> float:
        """Return how much light it has had when the exposure's own is `exposure_s`."""
        return self.light_before_s + (0.0 if self.in_from_s is None else exposure_s - self.in_from_s)

    def out(self, exposure_s: float) -> "TrayChip":
        """Return it taken out now."""
        return replace(self, light_before_s=self.light_s(exposure_s), in_from_s=None)

    def put_in(self, exposure_s: float) -> "TrayChip":
        """Return it put in now."""
        return self if self.in_from_s is not None else replace(self, in_from_s=exposure_s)

    def to_json(self) -> dict[str, Any]:
        """Return it as the plan holds it."""
        return asdict(self)


def chips_of(exposure: ExposureRecord) -> tuple[TrayChip, ...]:
    """Return the chips of an exposure, by place."""
    return tuple(TrayChip(**each) for each in exposure.plan.get("chips", ()))


def plan_with(exposure: ExposureRecord, chips: Sequence[TrayChip]) -> dict[str, Any]:
    """Return the exposure's plan with these chips instead."""
    return {**exposure.plan, "chips": [chip.to_json() for chip in chips]}


def known_light_s(exposure: ExposureRecord, warm_up: WarmUp) -> float:
    """Return the seconds at full output of all spans whose length is known."""
    return sum(
        warm_up.effective_s(span.lit_s, cold=span.cold) for span in exposure.spans if span.lit_s is not None
    )


def series_at(exposure: ExposureRecord, place: int) -> Series | None:
    """Return the readings of one chip, looked through; None before it was counted unexposed.

    Raises BenchError `erase-series-impossible`.
    """
    chip = chips_of(exposure)[place]
    readings = [
        Reading(each.effective_s, each.bits_left, each.vcc_v, each.reads)
        for each in exposure.readings
        if each.place == place
    ]
    if chip.bits_at_start is None:
        # A slope means nothing then, but counts that rise are of another chip all the same.
        series_of(chip.part_bits, readings, part_bits=chip.part_bits)
        return None
    return series_of(chip.bits_at_start, readings, part_bits=chip.part_bits, lowest_v=chip.lowest_v)
