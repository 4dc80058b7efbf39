"""Exposures as the API shows them, and forecasts from counts."""

from datetime import datetime
from typing import Any

from pydantic import Field

from api.schemas.common import Shown
from api.schemas.erasure import CautionView, SpreadView
from daemon.erasure.electrical import ElectricalEstimate
from daemon.erasure.forecast import Forecast
from daemon.erasure.safety import UVC_CAUTIONS
from daemon.exposures.view import ChipView, ExposureView
from daemon.store.exposure_model import CheckState, Span


class ForecastView(Shown):
    """How much longer, from counts and data sheet. Times in `_effective_s` are seconds at full output."""

    basis: str = Field(description="`readings`, `one-reading`, `data-sheet` or `nothing`.")
    rule: str = Field(description="Why it is so long, in words.")
    assumption: str = Field(description="What the interval rests on; empty without one.")
    notes: list[str] = Field(description="What was left out of the counts, or is to be minded.")
    clear_effective_s: SpreadView | None = Field(
        description="Fitted total until a hundredth of a bit is left, with its 95 % interval; null without"
        " two telling counts."
    )
    sheet_effective_s: SpreadView | None = Field(description="What the data sheet's dose takes there.")
    total_effective_s: float | None = Field(description="The whole exposure by the rule.")
    remaining_lit_s: float | None = Field(description="Seconds still to light, a cold start added.")
    next_reading_effective_s: float | None = Field(description="When the next count would tell most.")
    stuck_bits: int = Field(description="Bits that outlast light as no erasing law lets them.")
    cautions: list[CautionView] = Field(description="What to know before the lamp is lit.")

    @classmethod
    def of(cls, found: Forecast) -> "ForecastView":
        """Show a forecast."""
        clear, sheet = found.clear_effective_s, found.sheet_effective_s
        return cls(
            basis=found.basis,
            rule=found.rule,
            assumption=found.assumption,
            notes=list(found.notes),
            clear_effective_s=SpreadView.of(clear) if clear else None,
            sheet_effective_s=SpreadView.of(sheet) if sheet else None,
            total_effective_s=found.total_effective_s,
            remaining_lit_s=found.remaining_lit_s,
            next_reading_effective_s=found.next_reading_effective_s,
            stuck_bits=found.series.stuck_bits,
            cautions=[CautionView.of(caution) for caution in UVC_CAUTIONS],
        )


class ElectricalView(Shown):
    """How long an erase without light takes."""

    time_s: SpreadView = Field(description="Seconds for the whole chip.")
    how: str = Field(description="How it is done.")
    origin: str = Field(description="Where the figures are from.")

    @classmethod
    def of(cls, estimate: ElectricalEstimate) -> "ElectricalView":
        """Show an estimate."""
        return cls(time_s=SpreadView.of(estimate.time_s), how=estimate.how, origin=estimate.origin)


class SpanView(Shown):
    """A time for which the lamp was on."""

    began_at: datetime = Field(description="When it went on.")
    ended_at: datetime | None = Field(description="When it was said to be off; null while it is on.")
    lit_s: float | None = Field(description="For how long, seconds; null while that is not known.")
    cold: bool = Field(description="Whether it began cold.")
    origin: str = Field(description="`counted` by the daemon, or `stated`.")

    @classmethod
    def of(cls, span: Span) -> "SpanView":
        """Show a span."""
        names = ("began_at", "ended_at", "lit_s", "cold", "origin")
        return cls(**{name: getattr(span, name) for name in names})


class CountView(Shown):
    """A count of one chip."""

    at: datetime = Field(description="When.")
    effective_s: float = Field(description="Light the chip had had, seconds at full output.")
    bits_left: int = Field(description="Bits that read programmed.")
    vcc_v: float = Field(description="At which supply.")
    reads: int = Field(description="Of how many reads it is the median.")
    job_id: str | None = Field(description="The erase check that counted.")


class TrayChipView(Shown):
    """One chip of a tray now. Seconds are at full output unless they say lit."""

    place: int = Field(description="Its place on the tray, from 1.")
    part_id: str = Field(description="The part.")
    label: str = Field(description="Its name.")
    lot_id: str | None = Field(description="Its lot.")
    chip_id: str | None = Field(description="The chip, if it has a number.")
    along_mm: float = Field(description="Where its window lies, along the tubes.")
    across_mm: float = Field(description="And across them.")
    new_irradiance_mw_per_cm2: float = Field(description="What new, warm and clean tubes give there.")
    sentinel: bool = Field(description="Whether it is one of those to count.")
    inside: bool = Field(description="Whether it lies on the tray, in the box.")
    failed: bool = Field(description="Whether an erase check said that it will not erase.")
    bits_at_start: int | None = Field(description="Bits programmed before any light; null: not counted.")
    light_s: float = Field(description="Light it has had.")
    total_s: float | None = Field(description="Light it is to have.")
    remaining_lit_s: float | None = Field(description="Seconds still to light for it.")
    rule: str = Field(description="Why so long.")
    problem: str = Field(description="Why its counts cannot be used; empty: they can.")
    forecast: ForecastView | None = Field(description="What its own counts say.")
    counts: list[CountView] = Field(description="Its counts.")

    @classmethod
    def of(cls, view: ChipView, exposure: ExposureView) -> "TrayChipView":
        """Show a chip."""
        chip = view.chip
        return cls(
            place=view.place,
            part_id=chip.part_id,
            label=chip.label,
            lot_id=chip.lot_id,
            chip_id=chip.chip_id,
            along_mm=chip.along_mm,
            across_mm=chip.across_mm,
            new_irradiance_mw_per_cm2=chip.new_mw_per_cm2,
            sentinel=chip.sentinel,
            inside=chip.in_from_s is not None,
            failed=chip.failed,
            bits_at_start=chip.bits_at_start,
            light_s=view.light_s,
            total_s=view.total_s,
            remaining_lit_s=view.remaining_lit_s,
            rule=view.rule,
            problem=view.problem,
            forecast=ForecastView.of(view.outlook) if view.outlook else None,
            counts=[
                CountView(
                    at=each.at,
                    effective_s=each.effective_s,
                    bits_left=each.bits_left,
                    vcc_v=each.vcc_v,
                    reads=each.reads,
                    job_id=each.job_id,
                )
                for each in exposure.record.readings
                if each.place == view.place - 1
            ],
        )


class TimeQuestionView(Shown):
    """What has to be said before time goes on counting."""

    words: str = Field(description="The question.")
    began_at: datetime = Field(description="When the lamp went on.")
    most_s: float = Field(description="The most that it can have been lit, seconds.")


class ExposureDetails(Shown):
    """An exposure as it stands now."""

    id: str = Field(description="Its id.")
    number: int = Field(description="Its number, from 1.")
    lamp_id: str = Field(description="The lamp.")
    lamp: str = Field(description="The lamp's name.")
    state: str = Field(description="`planned`, `lit`, `dark`, `unsure`, `done` or `abandoned`.")
    now: datetime = Field(description="When this was said: count down from here.")
    lit_s: float = Field(description="Seconds that the lamp was on, as far as they are known.")
    light_s: float = Field(description="The same as seconds at full output.")
    next_out_lit_s: float | None = Field(description="Lit seconds until the next chips are due.")
    next_out: list[int] = Field(description="Their places.")
    end_lit_s: float | None = Field(description="Lit seconds until all are due; null: not known.")
    advice: str = Field(description="What to do next.")
    not_yet: list[str] = Field(description="What must be seen to before the lamp goes on.")
    question: TimeQuestionView | None = Field(description="What has to be said first.")
    chips: list[TrayChipView] = Field(description="The chips, by place.")
    check_state: CheckState | None = Field(
        description="Where the newest check of the whole tray stands; null: there was none."
    )
    spans: list[SpanView] = Field(description="When the lamp was on.")
    outcome: dict[str, Any] | None = Field(description="What came of it.")
    created_at: datetime = Field(description="When it was planned.")
    ended_at: datetime | None = Field(description="When it ended.")
    warnings: list[str] = Field(description="What is called out about lamp and windows.")
    cautions: list[CautionView] = Field(description="What to know before the lamp is lit.")

    @classmethod
    def of(cls, view: ExposureView) -> "ExposureDetails":
        """Show an exposure."""
        record, lamp, question = view.record, view.lamp, view.question
        asked = TimeQuestionView.model_validate(_fields(question)) if question else None
        return cls(
            id=record.id,
            number=record.number,
            lamp_id=lamp.record.id,
            lamp=lamp.record.name,
            state=record.state,
            now=view.now,
            lit_s=view.lit_s,
            light_s=view.light_s,
            next_out_lit_s=view.next_out_lit_s,
            next_out=list(view.next_out),
            end_lit_s=view.end_lit_s,
            advice=view.advice,
            not_yet=list(view.missing),
            question=asked,
            chips=[TrayChipView.of(chip, view) for chip in view.chips],
            check_state=view.check_state,
            spans=[SpanView.of(span) for span in record.spans],
            outcome=dict(record.outcome) if record.outcome is not None else None,
            created_at=record.created_at,
            ended_at=record.ended_at,
            warnings=[*([lamp.weakening.words] if lamp.weakening else []), *lamp.dim_windows],
            cautions=[CautionView.of(caution) for caution in view.cautions],
        )


class ExposureList(Shown):
    """Exposures, newest first."""

    exposures: list[ExposureDetails] = Field(description="As they stand now.")


def _fields(question: Any) -> dict[str, Any]:
    return {name: getattr(question, name) for name in ("words", "began_at", "most_s")}
