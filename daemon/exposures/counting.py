"""Counts of single chips, taken in only if they can be true."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from daemon.clock import Clock
from daemon.erasure.readings import series_of
from daemon.erasure.verdict import EraseState
from daemon.errors import BenchError, Code
from daemon.exposures.chips import TrayChip, chips_of, plan_with, series_at
from daemon.exposures.light_clock import wrong_state
from daemon.store.exposure_model import ExposureRecord, ExposureState, ReadingRecord
from daemon.store.model import JobKind, JobRecord
from daemon.store.store import Store

#: Light that has come since a check was asked for and makes its count useless, seconds at full output.
_SLIP_S = 1.0


@dataclass(frozen=True, slots=True)
class Count:
    """A count of one chip. `failed`: what was found says that it will not erase."""

    bits: int
    vcc_v: float
    reads: int = 1
    failed: bool = False
    bits_at_start: int | None = None
    job_id: str | None = None


def take_count(
    store: Store, clock: Clock, record: ExposureRecord, index: int, count: Count, exposure_s: float
) -> ExposureRecord:
    """Record a count; the first, before any light, says how many bits there are to erase.

    The same job counts once only, however often it is named. Raises BenchError: `exposure-state`,
    `erase-series-impossible` (nothing is recorded then).
    """
    chips = list(chips_of(record))
    _refuse_in_the_light(record, chips[index])
    if count.job_id is not None and _is_known(record, chips[index], index, count.job_id):
        return record
    chip = replace(chips[index], failed=chips[index].failed or count.failed)
    if count.bits_at_start is not None:
        chip = replace(chip, bits_at_start=count.bits_at_start)
    light_s = chip.light_s(exposure_s)
    if light_s <= 0:
        if count.bits:
            series_of(count.bits, [], part_bits=chip.part_bits)
        chips[index] = replace(chip, bits_at_start=count.bits or None, start_job=count.job_id)
        return store.exposures.replan(record.id, plan_with(record, chips))
    chips[index] = chip
    now = clock.utc_now()
    reading = ReadingRecord(0, index, now, light_s, count.bits, count.vcc_v, count.reads, count.job_id)
    tried = replace(record, plan=plan_with(record, chips), readings=(*record.readings, reading))
    series_at(tried, index)
    if tried.plan != record.plan:
        store.exposures.replan(record.id, tried.plan)
    return store.exposures.add_reading(
        record.id,
        place=index,
        at=now,
        effective_s=light_s,
        bits_left=count.bits,
        vcc_v=count.vcc_v,
        reads=count.reads,
        job_id=count.job_id,
    )


def _refuse_in_the_light(record: ExposureRecord, chip: TrayChip) -> None:
    """Refuse to count a chip that lies under the lamp; one that was taken out can be counted meanwhile."""
    ended = record.state in (ExposureState.DONE, ExposureState.ABANDONED)
    dark = record.state in (ExposureState.PLANNED, ExposureState.DARK)
    if ended or not (dark or chip.in_from_s is None):
        raise wrong_state(record, "Switch the lamp off first, and say so.")


def _is_known(record: ExposureRecord, chip: TrayChip, index: int, job_id: str) -> bool:
    told = any(each.job_id == job_id and each.place == index for each in record.readings)
    return told or chip.start_job == job_id


def refuse_later_light(then_s: float | None, now_s: float) -> None:
    """Refuse the count of a check that was asked for before more light came. Raises BenchError."""
    if then_s is not None and abs(now_s - then_s) > _SLIP_S:
        raise BenchError(
            Code.EXPOSURE_STATE,
            f"the chip had had {then_s:.0f} s of light when this check was asked for, and by now has had"
            f" {now_s:.0f} s",
            hint="Check it again.",
        )


def count_of(job: JobRecord, outcome: Mapping[str, Any]) -> Count | None:
    """Return what a check counted over the whole chip; None where it counted nothing, or only a part."""
    numbers = outcome.get("numbers") or {}
    if job.params.get("start_bytes") or job.params.get("length_bytes") is not None:
        return None
    failed = numbers.get("erase_state") == EraseState.WILL_NOT_ERASE
    if job.kind in (JobKind.ERASE_CHECK, JobKind.BLANK_CHECK) and "bits" in numbers:
        vcc_v, reads = float(numbers["vcc_v"]), int(numbers.get("reads", 1))
        return Count(int(numbers["bits"]), vcc_v, reads, failed, job_id=job.id)
    if job.kind is not JobKind.BLANK_CHECK:
        return None
    # A blank one: at the lowest supply at which that was seen.
    blank_v = [
        float(check["vcc_v"])
        for check in outcome.get("checks") or ()
        if check["name"].startswith("blank-check") and check["verdict"] == "passed" and check["vcc_v"]
    ]
    return Count(0, min(blank_v), job_id=job.id) if blank_v else None


def counted_by(job: JobRecord, chip: TrayChip) -> Count:
    """Return the count of a job that has ended; BenchError `job-request` when it did not count this part."""
    count = count_of(job, job.outcome or {}) if job.part_id == chip.part_id else None
    if count is None:
        raise BenchError(
            Code.JOB_REQUEST,
            f"job {job.id} ({job.kind} of {job.part_id}, {job.state}) has no count of a {chip.part_id}",
            hint="Run an erase-check on this chip, and name that job.",
            field="job",
        )
    return count


def index_of(chips: list[TrayChip], place: int) -> int:
    """Return the index of a place that people count from 1; BenchError `not-found`."""
    if place > len(chips):
        raise BenchError(
            Code.NOT_FOUND,
            f"there is no place {place} on this tray; it has {len(chips)}",
            hint="Look at the exposure.",
            field="place",
        )
    return place - 1
