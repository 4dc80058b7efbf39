"""What became of a lot, or of a chip that has a number: its light, its counts, its jobs.

It is read from exposures, counts and jobs themselves, newest first, and so cannot differ from them.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from daemon.erasure.inputs import Spread
from daemon.exposures.chips import TrayChip
from daemon.exposures.desk import ExposureDesk
from daemon.exposures.view import ChipView, ExposureView
from daemon.store.exposure_model import ChipRecord, ExposureState, LotRecord
from daemon.store.model import JobRecord, JobState
from daemon.store.store import Store

#: The newest so many exposures, and so many jobs, are looked through.
MOST = 1000


class HistoryKind(StrEnum):
    """What an entry is about."""

    EXPOSURE = "exposure"
    COUNT = "count"
    JOB = "job"


@dataclass(frozen=True, slots=True)
class HistoryEntry:
    """One thing that happened. What does not go with its kind is None.

    `lit_s` is how long the lamp was on in the exposure, `light_s` the chip's own seconds at full output, and
    `dose_j_per_cm2` what that comes to at its place by the lamp's data and what was learned of it.
    """

    at: datetime
    kind: HistoryKind
    words: str
    failed: bool = False
    exposure: int | None = None
    place: int | None = None
    lamp: str | None = None
    lit_s: float | None = None
    light_s: float | None = None
    dose_j_per_cm2: Spread | None = None
    bits_at_start: int | None = None
    bits_left: int | None = None
    vcc_v: float | None = None
    job_id: str | None = None
    code: str | None = None


@dataclass(frozen=True, slots=True)
class History:
    """All that is known of a lot or a chip, with its totals.

    `cycles` counts exposures that were brought to their end, `light_s` and the dose add up over all of them
    and all of its chips.
    """

    of: LotRecord | ChipRecord
    entries: tuple[HistoryEntry, ...]
    cycles: int
    failures: int
    exposures: int
    light_s: float
    dose_j_per_cm2: float


def history_of(record: LotRecord | ChipRecord, store: Store, exposures: ExposureDesk) -> History:
    """Return the history of a lot or of a chip."""
    chip_id, lot_id = (record.id, None) if isinstance(record, ChipRecord) else (None, record.id)
    entries: list[HistoryEntry] = []
    starts: dict[str, tuple[ExposureView, ChipView]] = {}
    found = store.exposures.list(chip_id=chip_id, lot_id=lot_id, limit=MOST)
    for each in found:
        view = exposures.get(each.id)
        lying = [chip for chip in view.chips if record.id in (chip.chip.chip_id, chip.chip.lot_id)]
        for chip in lying:
            entries += [_exposure(view, chip), *_counts(view, chip)]
            starts |= {chip.chip.start_job: (view, chip)} if chip.chip.start_job else {}
    jobs = store.jobs.list(chip_id=chip_id, lot_id=lot_id, limit=MOST)
    entries += [_start(job, *starts[job.id]) for job in jobs if job.id in starts]
    counted = {entry.job_id for entry in entries if entry.job_id}
    entries += [_job(job) for job in jobs if job.id not in counted and job.state is not JobState.QUEUED]
    lights = [entry for entry in entries if entry.kind is HistoryKind.EXPOSURE]
    return History(
        of=record,
        entries=tuple(sorted(entries, key=lambda entry: entry.at, reverse=True)),
        cycles=record.cycles,
        failures=record.failures,
        exposures=len(found),
        light_s=sum(entry.light_s or 0.0 for entry in lights),
        dose_j_per_cm2=sum(entry.dose_j_per_cm2.nominal for entry in lights if entry.dose_j_per_cm2),
    )


def dose_of(chip: TrayChip, light_s: float) -> Spread:
    """Return the dose of so much light at a chip's place, J/cm²: the part's dose takes `sheet_s` there."""
    dose = chip.dose_j_per_cm2 * light_s
    return Spread(dose / chip.sheet_high_s, dose / chip.sheet_nominal_s, dose / chip.sheet_low_s)


def _exposure(view: ExposureView, lying: ChipView) -> HistoryEntry:
    record, dose = view.record, dose_of(lying.chip, lying.light_s)
    words = (
        f"exposure {record.number} under {view.lamp.record.name}, place {lying.place}:"
        f" {lying.light_s / 60:.1f} min of light, about {dose.nominal:.1f} J/cm²"
    )
    if record.state is ExposureState.UNSURE:
        words += "; how long the lamp was on last is not known yet"
    if lying.chip.failed:
        words += "; it will not erase"
    return HistoryEntry(
        at=record.created_at,
        kind=HistoryKind.EXPOSURE,
        words=words,
        failed=lying.chip.failed,
        exposure=record.number,
        place=lying.place,
        lamp=view.lamp.record.name,
        lit_s=view.lit_s,
        light_s=lying.light_s,
        dose_j_per_cm2=dose,
        bits_at_start=lying.chip.bits_at_start,
    )


def _counts(view: ExposureView, lying: ChipView) -> Iterable[HistoryEntry]:
    for each in view.record.readings:
        if each.place == lying.place - 1:
            bits = f"{each.bits_left:,} bit{'s' if each.bits_left != 1 else ''}"
            yield HistoryEntry(
                at=each.at,
                kind=HistoryKind.COUNT,
                words=f"{bits} left at {each.vcc_v:.2f} V after {each.effective_s / 60:.1f} min of light",
                exposure=view.record.number,
                place=lying.place,
                light_s=each.effective_s,
                bits_left=each.bits_left,
                vcc_v=each.vcc_v,
                job_id=each.job_id,
            )


def _start(job: JobRecord, view: ExposureView, lying: ChipView) -> HistoryEntry:
    """Return the count before any light, which judges nothing."""
    bits = lying.chip.bits_at_start
    return HistoryEntry(
        at=job.ended_at or job.created_at,
        kind=HistoryKind.COUNT,
        words=f"{bits or 0:,} bits to erase, counted before any light",
        exposure=view.record.number,
        place=lying.place,
        light_s=0.0,
        bits_left=bits,
        job_id=job.id,
    )


def _job(job: JobRecord) -> HistoryEntry:
    outcome = job.outcome or {}
    return HistoryEntry(
        at=job.ended_at or job.created_at,
        kind=HistoryKind.JOB,
        words=f"{job.kind}: {outcome.get('summary', job.state)}",
        failed=job.state is JobState.FAILED,
        job_id=job.id,
        code=str(outcome.get("code", job.state)),
    )
