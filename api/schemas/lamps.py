"""Lamps, the light on their trays, lots and chips."""

from datetime import datetime

from pydantic import Field

from api.schemas.common import Shown
from api.schemas.erasure import CautionView, SpreadView
from daemon.erasure.loads import ChipTime, TrayPlan
from daemon.erasure.tray import TrayMap
from daemon.exposures.lamps import KnownLamp, LampSpec
from daemon.store.exposure_model import ChipRecord, LotRecord


class StrengthView(Shown):
    """What a lamp truly gives at the die, against the figure of its new tubes."""

    factor: SpreadView = Field(
        description="One factor for age, dirt, window and all, with its 95 % interval."
    )
    origin: str = Field(description="What it was learned from.")


class LampView(Shown):
    """A lamp of this bench, and what is known of it."""

    id: str = Field(description="Its id.")
    name: str = Field(description="Its name.")
    spec: LampSpec = Field(description="Its tubes, their places, its height and its tray.")
    hours: float | None = Field(description="Lit hours of its tubes; exposures add to them. Null: not known.")
    created_at: datetime = Field(description="When it was recorded.")
    tubes_since: datetime = Field(description="Since when what was learned counts.")
    strength: StrengthView | None = Field(description="What was learned from exposures and meter readings.")
    warnings: list[str] = Field(description="Called out: a lamp that weakens, windows that are dirty.")
    cautions: list[CautionView] = Field(description="What to know before the lamp is lit.")

    @classmethod
    def of(cls, known: KnownLamp) -> "LampView":
        """Show a lamp."""
        record, strength = known.record, known.strength
        return cls(
            id=record.id,
            name=record.name,
            spec=known.spec,
            hours=record.hours,
            created_at=record.created_at,
            tubes_since=record.tubes_since,
            strength=StrengthView(factor=SpreadView.of(strength.spread), origin=strength.origin)
            if strength
            else None,
            warnings=[*([known.weakening.words] if known.weakening else []), *known.dim_windows],
            cautions=[CautionView.of(caution) for caution in known.cautions],
        )


class LampList(Shown):
    """The lamps of this bench."""

    lamps: list[LampView] = Field(description="By name.")


class TrayLight(Shown):
    """Light over the tray when new, warm and clean, in the middle of equal fields."""

    tray_along_mm: float = Field(description="Tray along the tubes, mm.")
    tray_across_mm: float = Field(description="Tray across them, mm.")
    rows_mw_per_cm2: list[list[float]] = Field(description="Rows across the tubes; in each, along them.")
    highest_mw_per_cm2: float = Field(description="The brightest field.")
    lowest_mw_per_cm2: float = Field(description="The darkest field.")
    picture: list[str] = Field(description="The same as characters, for a terminal.")

    @classmethod
    def of(cls, light: TrayMap, picture: list[str]) -> "TrayLight":
        """Show a map."""
        return cls(
            tray_along_mm=light.tray.along_mm,
            tray_across_mm=light.tray.across_mm,
            rows_mw_per_cm2=[list(row) for row in light.rows],
            highest_mw_per_cm2=light.highest,
            lowest_mw_per_cm2=light.lowest,
            picture=picture,
        )


class PlannedChip(Shown):
    """One chip of a planned tray."""

    place: int = Field(description="Its place, from 1, in the order in which chips are done.")
    part: str = Field(description="Part id.")
    load: int = Field(description="In which load, from 1.")
    along_mm: float = Field(description="Where its window lies, from the tray's middle, along the tubes.")
    across_mm: float = Field(description="And across them.")
    new_irradiance_mw_per_cm2: float = Field(description="What new, warm and clean tubes give there.")
    time_s: SpreadView = Field(description="Its own exposure, seconds.")

    @classmethod
    def of(cls, place: int, chip: ChipTime) -> "PlannedChip":
        """Show a chip."""
        return cls(
            place=place,
            part=chip.label,
            load=chip.load,
            along_mm=chip.place.along_mm,
            across_mm=chip.place.across_mm,
            new_irradiance_mw_per_cm2=chip.place.new_irradiance_mw_per_cm2,
            time_s=SpreadView.of(chip.time_s),
        )


class TrayPlanView(Shown):
    """A way to expose a tray of chips."""

    way: str = Field(description="`take-out`: all together, each out when it is done. `two-loads`.")
    total_s: SpreadView = Field(description="How long the lamp is lit in all, seconds.")
    takings: int = Field(description="How often the box is opened.")
    chips: list[PlannedChip] = Field(description="The chips in the order in which they are done.")
    picture: list[str] = Field(description="The first load as characters, for a terminal.")

    @classmethod
    def of(cls, plan: TrayPlan, picture: list[str]) -> "TrayPlanView":
        """Show a plan."""
        chips = [PlannedChip.of(place, chip) for place, chip in enumerate(plan.chips, 1)]
        return cls(
            way=plan.way,
            total_s=SpreadView.of(plan.total_s),
            takings=plan.takings,
            chips=chips,
            picture=picture,
        )


class TrayPlans(Shown):
    """Ways to expose a tray of chips, the one with the least lit time first."""

    plans: list[TrayPlanView] = Field(description="One load, and with mixed doses two.")
    cautions: list[CautionView] = Field(description="What to know before the lamp is lit.")


class LotView(Shown):
    """Chips of one part that go together."""

    id: str = Field(description="Its id.")
    name: str = Field(description="Its name.")
    part_id: str = Field(description="The part.")
    chips: int = Field(description="How many chips there are.")
    note: str = Field(description="What was to be remembered.")
    cycles: int = Field(description="Exposures that chips of it went through.")
    failures: int = Field(description="Chips of it that would not erase.")
    created_at: datetime = Field(description="When it was recorded.")

    @classmethod
    def of(cls, lot: LotRecord) -> "LotView":
        """Show a lot."""
        return cls(**{name: getattr(lot, name) for name in LotRecord.__slots__})


class LotList(Shown):
    """The lots of this bench."""

    lots: list[LotView] = Field(description="By name.")


class ChipView(Shown):
    """A chip that has a number of its own."""

    id: str = Field(description="Its id.")
    number: str = Field(description="The number on it.")
    part_id: str = Field(description="The part.")
    lot_id: str | None = Field(description="The lot it belongs to.")
    cycles: int = Field(description="Exposures that it went through.")
    failures: int = Field(description="How often it would not erase.")
    created_at: datetime = Field(description="When it was recorded.")

    @classmethod
    def of(cls, chip: ChipRecord) -> "ChipView":
        """Show a chip."""
        return cls(**{name: getattr(chip, name) for name in ChipRecord.__slots__})


class ChipList(Shown):
    """The chips of this bench that have a number."""

    chips: list[ChipView] = Field(description="By number.")
