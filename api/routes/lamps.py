"""Lamps: record, show, change, forget; what meters read; the light on the tray."""

from typing import Annotated, Any

from fastapi import APIRouter, Body, Path, Query, Response

from api.schemas.lamps import LampList, LampView, TrayLight
from api.wiring import PLAIN, BenchHere
from daemon.erasure.picture import svg_picture, text_picture
from daemon.erasure.tray import map_of
from daemon.exposures.lamps import LampChange, NewLamp, NewMeterReading

router = APIRouter(prefix="/v1/lamps", tags=["lamps"])

LampId = Annotated[str, Path(max_length=100, pattern=PLAIN, description="Lamp id, or its name.")]
LampBody = Annotated[
    NewLamp,
    Body(examples=[{"name": "big box", "tubes": [{"preset": "8w-t5"}], "distance_mm": 25, "hours": 300}]),
]
_SVG: dict[int | str, dict[str, Any]] = {
    200: {"content": {"image/svg+xml": {"schema": {"type": "string"}}}, "description": "The picture."}
}


@router.get("")
def list_lamps(bench: BenchHere) -> LampList:
    """List the lamps of this bench."""
    return LampList(lamps=[LampView.of(known) for known in bench.erasing.lamps.all()])


@router.post("", status_code=201)
def add_lamp(bench: BenchHere, lamp: LampBody) -> LampView:
    """Record a lamp: its tubes and their places, its height over the tray, its hours."""
    return LampView.of(bench.erasing.lamps.add(lamp))


@router.get("/{lamp_id}")
def show_lamp(bench: BenchHere, lamp_id: LampId) -> LampView:
    """Show a lamp and what was learned of it."""
    return LampView.of(bench.erasing.lamps.get(lamp_id))


@router.patch("/{lamp_id}")
def change_lamp(bench: BenchHere, lamp_id: LampId, change: LampChange) -> LampView:
    """Change a lamp: another name, hours, new tubes, other figures."""
    return LampView.of(bench.erasing.lamps.change(lamp_id, change))


@router.delete("/{lamp_id}", status_code=204)
def forget_lamp(bench: BenchHere, lamp_id: LampId) -> None:
    """Forget a lamp under which nothing was ever exposed."""
    bench.erasing.lamps.delete(lamp_id)


@router.post("/{lamp_id}/meter-readings", status_code=201)
def add_meter_reading(bench: BenchHere, lamp_id: LampId, reading: NewMeterReading) -> LampView:
    """Take in what a UV-C meter reads at a place of the tray; nothing tells a lamp's strength better."""
    return LampView.of(bench.erasing.lamps.meter(lamp_id, reading))


@router.get("/{lamp_id}/tray")
def show_tray(
    bench: BenchHere,
    lamp_id: LampId,
    columns: Annotated[int, Query(ge=1, le=200, description="Fields along the tubes.")] = 60,
    lines: Annotated[int, Query(ge=1, le=200, description="Fields across them.")] = 12,
) -> TrayLight:
    """Show the light over the tray as numbers and as characters."""
    known = bench.erasing.lamps.get(lamp_id)
    light = map_of(known.lamp, known.spec.tray, columns, lines)
    return TrayLight.of(light, text_picture(light))


@router.get("/{lamp_id}/tray.svg", response_class=Response, responses=_SVG)
def draw_tray(bench: BenchHere, lamp_id: LampId) -> Response:
    """Draw the light over the tray."""
    known = bench.erasing.lamps.get(lamp_id)
    light = map_of(known.lamp, known.spec.tray, 60, 20)
    picture = svg_picture(light, title=f"Tray under {known.record.name}")
    return Response(picture, media_type="image/svg+xml")
