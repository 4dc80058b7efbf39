"""Jobs that name an exposure, a lot or a chip: what is known of it goes in, and a count comes back."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from daemon.catalogue.loader import Catalogue
from daemon.errors import BenchError, Code
from daemon.exposures.counting import count_of
from daemon.exposures.desk import ExposureDesk
from daemon.exposures.view import ChipView, ExposureView
from daemon.jobs.light_so_far import LightReading, LightSoFar
from daemon.jobs.request import JobRequest
from daemon.store.chip_lots import ChipLots
from daemon.store.model import JobChange, JobRecord


def fill_in(request: JobRequest, exposures: ExposureDesk, lots: ChipLots, catalogue: Catalogue) -> JobRequest:
    """Return a request with the light that its chip has had, and lot and chip by their ids.

    Raises BenchError: `not-found`; `job-request` for what does not belong together.
    """
    part_id = catalogue.get(request.part_name).id
    chip = lots.chip(request.chip) if request.chip else None
    lot = lots.lot(request.lot) if request.lot else None
    for what, name, of_part in [("chip", chip.number, chip.part_id)] if chip else []:
        _refuse_other_part(what, name, of_part, part_id)
    for what, name, of_part in [("lot", lot.name, lot.part_id)] if lot else []:
        _refuse_other_part(what, name, of_part, part_id)
    chip_id, lot_id = chip.id if chip else None, lot.id if lot else None
    light = request.light
    if light is None or light.exposure is None:
        if light is not None and light.place is not None:
            raise _apart()
        if chip is not None and lot_id is None:
            lot_id = chip.lot_id
        return request.model_copy(update={"chip": chip_id, "lot": lot_id})
    view = exposures.get(light.exposure)
    lying = _at_place(view, light.place, chip_id)
    if lying.chip.part_id != part_id:
        raise BenchError(
            Code.JOB_REQUEST,
            f"at that place of the tray lies a {lying.chip.part_id}, not a {part_id}",
            hint="Name the part that lies there, or another place.",
            field="light",
        )
    for what, said, known in (("chip", chip_id, lying.chip.chip_id), ("lot", lot_id, lying.chip.lot_id)):
        if said is not None and said != known:
            raise BenchError(
                Code.JOB_REQUEST,
                f"place {lying.place} of exposure {view.record.number} is not that {what}",
                hint="Name the place, or the chip, not both; or look at the exposure.",
                field=what,
            )
    known_of_it = {
        "light": light_at(view, lying), "chip": lying.chip.chip_id, "lot": lying.chip.lot_id
    }  # fmt: skip
    return request.model_copy(update=known_of_it)


def _refuse_other_part(what: str, name: str, of_part: str, part_id: str) -> None:
    if of_part != part_id:
        raise BenchError(
            Code.JOB_REQUEST,
            f"the {what} '{name}' is of part {of_part}, not of {part_id}",
            hint=f"Name the right part, or another {what}.",
            field=what,
        )


def _apart() -> BenchError:
    return BenchError(
        Code.JOB_REQUEST,
        "An exposure and a place on its tray belong together.",
        hint="Give both, or neither; a chip with a number of its own needs no place.",
        field="light",
    )


def _at_place(view: ExposureView, place: int | None, chip_id: str | None) -> ChipView:
    if place is None:
        own = [each for each in view.chips if chip_id is not None and each.chip.chip_id == chip_id]
        if not own:
            raise _apart()
        return own[0]
    if place > len(view.chips):
        raise BenchError(
            Code.NOT_FOUND,
            f"there is no place {place} on this tray; it has {len(view.chips)}",
            hint="Look at the exposure.",
            field="place",
        )
    return view.chips[place - 1]


def light_at(view: ExposureView, lying: ChipView) -> LightSoFar:
    """Return what an exposure knows of the light of one of its chips."""
    chip = lying.chip
    return LightSoFar(
        exposure=view.record.id,
        place=lying.place,
        bits_at_start=chip.bits_at_start,
        effective_s=lying.light_s,
        sheet_s=chip.sheet_nominal_s,
        sheet_low_s=chip.sheet_low_s,
        sheet_high_s=chip.sheet_high_s,
        readings=tuple(
            LightReading(
                effective_s=each.effective_s, bits_left=each.bits_left, vcc_v=each.vcc_v, reads=each.reads
            )
            for each in view.record.readings
            if each.place == lying.place - 1
        ),
    )


def place_of(job: JobRecord) -> tuple[str, int] | None:
    """Return the exposure and the place that a job is about, None when it names none."""
    light: Mapping[str, Any] = job.params.get("light") or {}
    exposure, place = light.get("exposure"), light.get("place")
    return (exposure, place) if exposure and place else None


def keep_count(job: JobRecord, end: JobChange, exposures: ExposureDesk) -> JobChange:
    """Write what a check of an exposure's chip has counted into that exposure; return its end, saying so.

    A count that cannot be true, or came too late, is not kept: the end then says why. Other jobs end as they
    do.
    """
    there, outcome = place_of(job), dict(end.outcome or {})
    count = count_of(job, outcome) if there else None
    if there is None or count is None:
        return end
    exposure_id, place = there
    numbers = dict(outcome.get("numbers") or {})
    try:
        record = exposures.count_by_job(exposure_id, place, count, job.params["light"].get("effective_s"))
    except BenchError as error:
        numbers.update(count_kept=False, count_problem=error.message)
        words = f"The count is not kept: {error.message}. {error.hint}"
    else:
        numbers.update(count_kept=True)
        words = f"The count is kept with exposure {record.number}, place {place}."
    outcome.update(numbers=numbers, hint=f"{outcome.get('hint', '')} {words}".strip())
    return replace(end, outcome=outcome)
