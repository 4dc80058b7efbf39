"""Counts of single chips, taken in only if they can be true."""

from dataclasses import dataclass, replace

from daemon.clock import Clock
from daemon.erasure.readings import series_of
from daemon.erasure.verdict import EraseState
from daemon.errors import BenchError, Code
from daemon.exposures.chips import TrayChip, chips_of, plan_with, series_at
from daemon.exposures.light_clock import wrong_state
from daemon.exposures.request import NewReading
from daemon.store.exposure_model import ExposureRecord, ExposureState, ReadingRecord
from daemon.store.model import JobKind
from daemon.store.store import Store


@dataclass(frozen=True, slots=True)
class _Count:
    bits: int
    vcc_v: float
    reads: int
    failed: bool = False


def take_count(
    store: Store, clock: Clock, record: ExposureRecord, new: NewReading, exposure_s: float
) -> ExposureRecord:
    """Record a count; the first, before any light, says how many bits there are to erase.

    Raises BenchError: `exposure-state`, `not-found`, `job-request` for a job that did not count this part,
    `erase-series-impossible` (nothing is recorded then).
    """
    if record.state not in (ExposureState.PLANNED, ExposureState.DARK):
        raise wrong_state(record, "Switch the lamp off first, and say so.")
    chips = list(chips_of(record))
    index = index_of(chips, new.place)
    count = _counted(store, chips[index], new)
    chip = replace(chips[index], failed=chips[index].failed or count.failed)
    if new.bits_at_start is not None:
        chip = replace(chip, bits_at_start=new.bits_at_start)
    light_s = chip.light_s(exposure_s)
    if light_s <= 0:
        if count.bits:
            series_of(count.bits, [], part_bits=chip.part_bits)
        chips[index] = replace(chip, bits_at_start=count.bits or None)
        return store.exposures.replan(record.id, plan_with(record, chips))
    chips[index] = chip
    reading = ReadingRecord(0, index, clock.utc_now(), light_s, count.bits, count.vcc_v, count.reads, new.job)
    tried = replace(record, plan=plan_with(record, chips), readings=(*record.readings, reading))
    series_at(tried, index)
    if tried.plan != record.plan:
        store.exposures.replan(record.id, tried.plan)
    return store.exposures.add_reading(
        record.id,
        place=index,
        at=reading.at,
        effective_s=light_s,
        bits_left=count.bits,
        vcc_v=count.vcc_v,
        reads=count.reads,
        job_id=new.job,
    )


def _counted(store: Store, chip: TrayChip, new: NewReading) -> _Count:
    if new.bits_left is not None:
        return _Count(new.bits_left, new.vcc_v, new.reads)
    assert new.job is not None
    job = store.jobs.get(new.job)
    numbers = (job.outcome or {}).get("numbers") or {}
    if job.kind is not JobKind.ERASE_CHECK or job.part_id != chip.part_id or "bits" not in numbers:
        raise BenchError(
            Code.JOB_REQUEST,
            f"job {job.id} ({job.kind} of {job.part_id}, {job.state}) has no count of a {chip.part_id}",
            hint="Run an erase-check on this chip, and name that job.",
            field="job",
        )
    return _Count(
        int(numbers["bits"]),
        float(numbers["vcc_v"]),
        int(numbers.get("reads", 1)),
        numbers.get("erase_state") == EraseState.WILL_NOT_ERASE,
    )


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
