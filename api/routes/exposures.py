"""Exposures: plan, lamp on and off, chips in and out, counts, end. No lamp is switched by any of this."""

from typing import Annotated, Any

from fastapi import APIRouter, Body, Path, Query, Response

from api.schemas.exposures import ExposureDetails, ExposureList
from api.wiring import PLAIN, BenchHere
from daemon.erasure.picture import Lying, svg_picture
from daemon.erasure.tray import Footprint, Place, map_of
from daemon.exposures.request import ChipsMoved, LampOff, LampOn, NewExposure, NewReading, TimeAnswer
from daemon.exposures.view import ExposureView

router = APIRouter(prefix="/v1/exposures", tags=["exposures"])

ExposureId = Annotated[str, Path(max_length=100, pattern=PLAIN, description="Exposure id, or its number.")]
ExposureBody = Annotated[
    NewExposure,
    Body(examples=[{"lamp": "big box", "chips": [{"part": "M27C512", "chips": 6}]}]),
]
_SVG: dict[int | str, dict[str, Any]] = {
    200: {"content": {"image/svg+xml": {"schema": {"type": "string"}}}, "description": "The picture."}
}
_WINDOW_MM = Footprint(30, 14)


@router.get("")
def list_exposures(
    bench: BenchHere,
    open_only: Annotated[bool, Query(description="Only those that have not ended.")] = False,
    limit: Annotated[int, Query(ge=1, le=200, description="How many at most.")] = 50,
) -> ExposureList:
    """List exposures, newest first, each as it stands now."""
    found = bench.erasing.exposures.all(open_only=open_only, limit=limit)
    return ExposureList(exposures=[ExposureDetails.of(view) for view in found])


@router.post("", status_code=201)
def plan_exposure(bench: BenchHere, exposure: ExposureBody) -> ExposureDetails:
    """Plan an exposure: where each chip lies, how long it stays, which are the sentinels."""
    return ExposureDetails.of(bench.erasing.exposures.create(exposure))


@router.get("/{exposure_id}")
def show_exposure(bench: BenchHere, exposure_id: ExposureId) -> ExposureDetails:
    """Show an exposure as it stands now: the countdown, each chip, what to do next."""
    return ExposureDetails.of(bench.erasing.exposures.get(exposure_id))


@router.get("/{exposure_id}/tray.svg", response_class=Response, responses=_SVG)
def draw_exposure(bench: BenchHere, exposure_id: ExposureId) -> Response:
    """Draw the tray with its chips where they should lie."""
    view = bench.erasing.exposures.get(exposure_id)
    return Response(_drawn(view), media_type="image/svg+xml")


@router.post("/{exposure_id}/lamp-on")
def lamp_on(bench: BenchHere, exposure_id: ExposureId, said: LampOn) -> ExposureDetails:
    """Say that the lamp is on, its box shut: time counts from now. Refused until all is prepared."""
    return ExposureDetails.of(bench.erasing.exposures.lamp_on(exposure_id, said))


@router.post("/{exposure_id}/lamp-off")
def lamp_off(bench: BenchHere, exposure_id: ExposureId, said: LampOff) -> ExposureDetails:
    """Say that the lamp is off, now or, with `lit_s`, earlier."""
    return ExposureDetails.of(bench.erasing.exposures.lamp_off(exposure_id, said))


@router.post("/{exposure_id}/answer")
def answer_exposure(bench: BenchHere, exposure_id: ExposureId, said: TimeAnswer) -> ExposureDetails:
    """Say how long the lamp was on while the daemon was not there."""
    return ExposureDetails.of(bench.erasing.exposures.answer(exposure_id, said))


@router.post("/{exposure_id}/take-out")
def take_out(bench: BenchHere, exposure_id: ExposureId, moved: ChipsMoved) -> ExposureDetails:
    """Say that chips are out of the box; they get no light from then on."""
    return ExposureDetails.of(bench.erasing.exposures.take_out(exposure_id, moved))


@router.post("/{exposure_id}/put-in")
def put_in(bench: BenchHere, exposure_id: ExposureId, moved: ChipsMoved) -> ExposureDetails:
    """Say that chips are back at their places."""
    return ExposureDetails.of(bench.erasing.exposures.put_in(exposure_id, moved))


@router.post("/{exposure_id}/readings")
def add_reading(bench: BenchHere, exposure_id: ExposureId, reading: NewReading) -> ExposureDetails:
    """Take in a count of one chip; a first one before any light says how many bits there are to erase."""
    return ExposureDetails.of(bench.erasing.exposures.count(exposure_id, reading))


@router.post("/{exposure_id}/finish")
def finish_exposure(bench: BenchHere, exposure_id: ExposureId) -> ExposureDetails:
    """End an exposure: its lots and chips have one erase cycle more."""
    return ExposureDetails.of(bench.erasing.exposures.finish(exposure_id))


@router.post("/{exposure_id}/abandon")
def abandon_exposure(bench: BenchHere, exposure_id: ExposureId) -> ExposureDetails:
    """Give an exposure up; what is known of it stays."""
    return ExposureDetails.of(bench.erasing.exposures.abandon(exposure_id))


def _drawn(view: ExposureView) -> str:
    light = map_of(view.lamp.lamp, view.lamp.spec.tray, 60, 20)
    chips = [
        Lying(
            Place(chip.chip.along_mm, chip.chip.across_mm, chip.chip.new_mw_per_cm2),
            _WINDOW_MM,
            f"{chip.chip.label}{' (count)' if chip.chip.sentinel else ''}",
        )
        for chip in view.chips
    ]
    title = f"Exposure {view.record.number} under {view.lamp.record.name}"
    return svg_picture(light, chips, title=title)
