"""Checks of whole trays, and the histories of lots and chips, as the API shows them."""

from datetime import datetime
from typing import Any

from pydantic import Field

from api.schemas.common import Shown
from api.schemas.erasure import CautionView, SpreadView
from daemon.exposures.history import History, HistoryEntry
from daemon.exposures.tray_check_view import CheckedChip, TrayCheckView
from daemon.store.exposure_model import CheckState


class CheckedChipView(Shown):
    """What was found of one chip."""

    place: int = Field(description="Its place on the tray, from 1.")
    label: str = Field(description="Its part's name.")
    state: str = Field(
        description="`erased`, `marginal`, `not-erased`, `will-not-erase`; `counted` before any light; empty"
        " until it was looked at."
    )
    bits: int | None = Field(description="Bits that read programmed.")
    vcc_v: float | None = Field(description="At which supply.")
    words: str = Field(description="The statement.")
    job_id: str | None = Field(description="The job that looked.")

    @classmethod
    def of(cls, chip: CheckedChip) -> "CheckedChipView":
        """Show a chip."""
        return cls(**{name: getattr(chip, name) for name in CheckedChip.__slots__})


class GoesBackView(Shown):
    """A chip that goes back under the lamp."""

    place: int = Field(description="Its place.")
    lit_s: float | None = Field(description="For how long, seconds lit; null where nothing says so.")


class TrayCheckDetails(Shown):
    """A check of a tray as it stands now."""

    id: str = Field(description="Its id.")
    exposure_id: str = Field(description="The exposure.")
    exposure_number: int = Field(description="Its number.")
    programmer_id: str = Field(description="Where the chips are put in.")
    state: CheckState = Field(description="`checking`, `paused`, `done` or `cancelled`.")
    prompt: str = Field(description="What is to be done at the socket now; empty when nothing is.")
    advice: str = Field(description="What it comes to so far, or what to do next.")
    job_id: str | None = Field(description="The job of the chip whose turn it is, or was last.")
    checked: int = Field(description="How many chips were looked at.")
    chips: list[CheckedChipView] = Field(description="The chips, in the order of the check.")
    erased: list[int] = Field(description="Places of those erased with margin.")
    marginal: list[int] = Field(description="Blank at the nominal supply only, or exposed too briefly.")
    not_erased: list[int] = Field(description="Places of those that hold bits yet.")
    will_not_erase: list[int] = Field(description="Places of those that no light erases.")
    back: list[GoesBackView] = Field(description="What goes back under the lamp, and for how long.")
    cautions: list[CautionView] = Field(description="What to know before the lamp is lit again.")
    created_at: datetime = Field(description="When it began.")
    ended_at: datetime | None = Field(description="When it ended.")

    @classmethod
    def of(cls, view: TrayCheckView) -> "TrayCheckDetails":
        """Show a check."""
        record = view.record
        return cls(
            id=record.id,
            exposure_id=record.exposure_id,
            exposure_number=view.exposure_number,
            programmer_id=record.programmer_id,
            state=record.state,
            prompt=view.prompt,
            advice=view.advice,
            job_id=record.job_id,
            checked=view.checked,
            chips=[CheckedChipView.of(chip) for chip in view.chips],
            erased=list(view.erased),
            marginal=list(view.marginal),
            not_erased=list(view.not_erased),
            will_not_erase=list(view.will_not_erase),
            back=[GoesBackView(place=each.place, lit_s=each.lit_s) for each in view.back],
            cautions=[CautionView.of(caution) for caution in view.cautions],
            created_at=record.created_at,
            ended_at=record.ended_at,
        )


class HistoryEntryView(Shown):
    """One thing that happened to a lot or a chip; what does not go with its kind is null."""

    at: datetime = Field(description="When.")
    kind: str = Field(description="`exposure`, `count` or `job`.")
    words: str = Field(description="What happened.")
    failed: bool = Field(description="Whether it is a failure: will not erase, or a job that failed.")
    exposure: int | None = Field(description="Number of the exposure.")
    place: int | None = Field(description="The chip's place there.")
    lamp: str | None = Field(description="The lamp.")
    lit_s: float | None = Field(description="How long the lamp was on in that exposure, seconds.")
    light_s: float | None = Field(description="The chip's light, seconds at full output.")
    dose_j_per_cm2: SpreadView | None = Field(description="What that comes to at its place, as a range.")
    bits_at_start: int | None = Field(description="Bits that were programmed before any light.")
    bits_left: int | None = Field(description="Bits that were counted.")
    vcc_v: float | None = Field(description="At which supply.")
    job_id: str | None = Field(description="The job.")
    code: str | None = Field(description="How the job ended.")

    @classmethod
    def of(cls, entry: HistoryEntry) -> "HistoryEntryView":
        """Show an entry."""
        values: dict[str, Any] = {name: getattr(entry, name) for name in HistoryEntry.__slots__}
        dose = entry.dose_j_per_cm2
        return cls(**values | {"dose_j_per_cm2": SpreadView.of(dose) if dose else None})


class HistoryView(Shown):
    """What became of a lot or a chip."""

    cycles: int = Field(description="Exposures that were brought to their end.")
    failures: int = Field(description="How often a chip would not erase.")
    exposures: int = Field(description="Exposures that it was part of.")
    light_s: float = Field(description="All light, seconds at full output, over all its chips.")
    dose_j_per_cm2: float = Field(description="All dose by the lamps' data, over all its chips.")
    entries: list[HistoryEntryView] = Field(description="What happened, newest first.")

    @classmethod
    def of(cls, history: History) -> "HistoryView":
        """Show a history."""
        names = ("cycles", "failures", "exposures", "light_s", "dose_j_per_cm2")
        values: dict[str, Any] = {name: getattr(history, name) for name in names}
        return cls(**values, entries=[HistoryEntryView.of(entry) for entry in history.entries])
