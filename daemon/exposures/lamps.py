"""What users say of their lamps, and what is known of each: figures, hours, learned strength."""

from dataclasses import dataclass
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from daemon.catalogue.loader import Catalogue
from daemon.clock import Clock
from daemon.erasure.lamp import TUBES_MAX, Lamp, PlacedTube
from daemon.erasure.learned import MeterReading, Seen, Weakening, dim_windows, learn_strength, weakening
from daemon.erasure.light import LampStrength
from daemon.erasure.probit import fit_line
from daemon.erasure.safety import UVC_CAUTIONS, Caution, bare_lamp_caution
from daemon.erasure.tray import Tray
from daemon.erasure.tube import TUBES, Tube
from daemon.errors import BenchError
from daemon.exposures.chips import chips_of, series_at
from daemon.store.exposure_model import LampRecord
from daemon.store.store import Store

Millimetres = Annotated[float, Field(ge=-1000, le=1000, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
_EXPOSURES_MAX = 100
_LEANING_OVER_MM = 500.0


class _Given(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class TubeSpec(_Given):
    """One tube: a preset by its wattage, or figures of its own; and where it is over the tray."""

    preset: str | None = Field(None, max_length=40, description="4w-t5, 8w-t5, 15w-t8 or 30w-t8.")
    uvc_w: float | None = Field(None, ge=0.01, le=1000, description="UV-C output when new, W.")
    arc_length_mm: float | None = Field(None, ge=1, le=3000, description="Lit length, mm.")
    radius_mm: float = Field(8.0, ge=0.1, le=100, description="Radius of its glass; T5: 8 mm, T8: 13 mm.")
    along_mm: Millimetres = Field(0.0, description="Its middle from the tray's, along the tube.")
    across_mm: Millimetres = Field(0.0, description="Its middle from the tray's, sideways.")
    raised_mm: float = Field(0.0, ge=0, le=500, description="How much higher than the lowest tube it is.")

    @model_validator(mode="after")
    def _is_one_or_the_other(self) -> "TubeSpec":
        if (self.preset is None) == (self.uvc_w is None or self.arc_length_mm is None):
            raise PydanticCustomError(
                "tube", "preset: name a preset, or give both uvc_w and arc_length_mm of the tube"
            )
        if self.preset is not None and self.preset not in TUBES:
            raise PydanticCustomError("tube", "preset: choose {names}", {"names": ", ".join(TUBES)})
        return self

    def placed(self) -> PlacedTube:
        """Return the tube in its place."""
        if self.preset is not None:
            tube = TUBES[self.preset]
        else:
            assert self.uvc_w is not None
            assert self.arc_length_mm is not None
            tube = Tube("own tube", self.uvc_w, self.arc_length_mm, self.radius_mm)
        return PlacedTube(tube, self.along_mm, self.across_mm, self.raised_mm)


class LampSpec(_Given):
    """A lamp: tubes over a tray."""

    tubes: tuple[TubeSpec, ...] = Field(min_length=1, max_length=TUBES_MAX, description="Its tubes.")
    distance_mm: float = Field(
        25.0, ge=0.5, le=2000, description="From the glass of the lowest tube to the chips' windows."
    )
    reflector: float = Field(
        1.0, ge=0.5, le=4, description="By how much a reflector raises the light; 1: none or not known."
    )
    tray_along_mm: float = Field(200.0, ge=10, le=2000, description="Tray along the tubes.")
    tray_across_mm: float = Field(60.0, ge=10, le=2000, description="Tray across the tubes.")

    def lamp(self, name: str, hours: float | None) -> Lamp:
        """Return the lamp. Raises BenchError `erase-estimate-input`."""
        tubes = tuple(each.placed() for each in self.tubes)
        return Lamp(name, tubes, self.distance_mm, self.reflector, hours)

    @property
    def tray(self) -> Tray:
        """Its tray."""
        return Tray(self.tray_along_mm, self.tray_across_mm)


class NewLamp(LampSpec):
    """A lamp to record."""

    name: str = Field(min_length=1, max_length=64, description="What you call it.")
    hours: float | None = Field(None, ge=0, le=100_000, description="Lit hours of its tubes, if known.")


class LampChange(_Given):
    """What to change; what is left out stays."""

    name: str | None = Field(None, min_length=1, max_length=64, description="Another name.")
    hours: float | None = Field(None, ge=0, le=100_000, description="Lit hours of its tubes.")
    new_tubes: bool = Field(
        False, description="New tubes are in, or it was cleaned: hours from 0 if none are given, and what was"
        " learned before does not count any more."
    )  # fmt: skip
    spec: LampSpec | None = Field(None, description="Other figures; what was learned then starts anew.")


class NewMeterReading(_Given):
    """What a UV-C meter reads at a place of the tray, with the lamp warm."""

    along_mm: Millimetres = Field(0.0, description="Place along the tubes, from the tray's middle.")
    across_mm: Millimetres = Field(0.0, description="Place across them.")
    measured_mw_per_cm2: Positive = Field(le=1000, description="What it reads.")
    tolerance: float = Field(0.15, ge=0.01, le=0.9, description="The meter's share either way.")


@dataclass(frozen=True, slots=True)
class KnownLamp:
    """A lamp with what was learned of it."""

    record: LampRecord
    spec: LampSpec
    lamp: Lamp
    strength: LampStrength | None
    weakening: Weakening | None
    dim_windows: tuple[str, ...]

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """What to know before it is lit: its own seconds to the daily limit first."""
        bare_uw = self.lamp.bare_irradiance_mw_per_cm2(_LEANING_OVER_MM) * 1000
        return (bare_lamp_caution(bare_uw, _LEANING_OVER_MM), *UVC_CAUTIONS)


class LampShelf:
    """The lamps of this bench. Thread-safe."""

    def __init__(self, store: Store, catalogue: Catalogue, clock: Clock) -> None:
        self._store = store
        self._catalogue = catalogue
        self._clock = clock

    def add(self, new: NewLamp) -> KnownLamp:
        """Record a lamp. Raises BenchError: `name-invalid`, `name-taken`, `erase-estimate-input`."""
        spec = LampSpec.model_validate(new.model_dump(exclude={"name", "hours"}))
        spec.lamp(new.name, new.hours)
        return self._known(self._store.lamps.add(new.name, spec.model_dump(mode="json"), new.hours))

    def all(self) -> list[KnownLamp]:
        """Return all lamps, by name."""
        return [self._known(record) for record in self._store.lamps.list()]

    def get(self, name: str) -> KnownLamp:
        """Return a lamp by name or id. Raises BenchError `not-found`."""
        return self._known(self._store.lamps.get(name))

    def change(self, name: str, change: LampChange) -> KnownLamp:
        """Change a lamp. Raises BenchError as `add` and `get`."""
        fresh = change.new_tubes or change.spec is not None
        hours = 0.0 if change.new_tubes and change.hours is None else change.hours
        if change.spec is not None:
            change.spec.lamp(name, hours)
        record = self._store.lamps.change(
            name,
            name=change.name,
            spec=change.spec.model_dump(mode="json") if change.spec else None,
            hours=hours,
            tubes_since=self._clock.utc_now() if fresh else None,
        )
        return self._known(record)

    def delete(self, name: str) -> None:
        """Forget a lamp. Raises BenchError: `not-found`, `lamp-in-use`."""
        self._store.lamps.delete(name)

    def meter(self, name: str, new: NewMeterReading) -> KnownLamp:
        """Take in what a meter read. Raises BenchError `not-found`."""
        self._store.lamps.add_meter_reading(
            name,
            along_mm=new.along_mm,
            across_mm=new.across_mm,
            measured_mw_per_cm2=new.measured_mw_per_cm2,
            tolerance=new.tolerance,
        )
        return self.get(name)

    def _known(self, record: LampRecord) -> KnownLamp:
        spec = LampSpec.model_validate(dict(record.spec))
        lamp = spec.lamp(record.name, record.hours)
        seen = self._seen(record)
        meter = [
            MeterReading(
                each.at,
                each.measured_mw_per_cm2,
                lamp.new_irradiance_mw_per_cm2(each.along_mm, each.across_mm),
                each.tolerance,
            )
            for each in self._store.lamps.meter_readings(record.id)
            if each.at >= record.tubes_since
        ]
        return KnownLamp(record, spec, lamp, learn_strength(seen, meter), weakening(seen), dim_windows(seen))

    def _seen(self, record: LampRecord) -> list[Seen]:
        """Return what each chip with two telling counts or more said, since the present tubes went in."""
        found = []
        for exposure in self._store.exposures.list(lamp_id=record.id, limit=_EXPOSURES_MAX):
            if exposure.created_at < record.tubes_since:
                continue
            for place, chip in enumerate(chips_of(exposure)):
                try:
                    series = series_at(exposure, place)
                except BenchError:
                    continue  # a series that cannot be true teaches nothing
                if series is None or len(series.points) < 2 or chip.new_mw_per_cm2 <= 0:
                    continue
                line = fit_line(series.points)
                found.append(
                    Seen(
                        exposure=exposure.id,
                        at=exposure.created_at,
                        part=chip.part_id,
                        sheet_dose_j_per_cm2=chip.dose_j_per_cm2,
                        new_irradiance_mw_per_cm2=chip.new_mw_per_cm2,
                        median_effective_s=line.median_s,
                        log_se=min(line.log_se_median, 3.0),
                        chip=f"chip {place + 1} of exposure {exposure.number}",
                    )
                )
        return found
