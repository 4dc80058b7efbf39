"""Lots of chips, and chips that have a number of their own."""

from typing import Annotated

from fastapi import APIRouter, Body, Path

from api.schemas.lamps import ChipList, ChipView, LotList, LotView
from api.schemas.tray_checks import HistoryView
from api.wiring import PLAIN, BenchHere
from daemon.exposures.request import NewChip, NewLot

router = APIRouter(prefix="/v1", tags=["lots"])

LotBody = Annotated[NewLot, Body(examples=[{"name": "tern-8 spares", "part": "M27C512", "chips": 20}])]
ChipBody = Annotated[NewChip, Body(examples=[{"number": "17", "part": "M27C512", "lot": "tern-8 spares"}])]


LotName = Annotated[str, Path(max_length=100, pattern=PLAIN, description="The lot's name or id.")]
ChipNumber = Annotated[str, Path(max_length=100, pattern=PLAIN, description="The chip's number or id.")]


@router.get("/lots")
def list_lots(bench: BenchHere) -> LotList:
    """List the lots of this bench, with their cycles and failures."""
    return LotList(lots=[LotView.of(lot) for lot in bench.erasing.lots()])


@router.post("/lots", status_code=201)
def add_lot(bench: BenchHere, lot: LotBody) -> LotView:
    """Record a lot. Labels come off before erasing, so chips are known by their lot first."""
    return LotView.of(bench.erasing.add_lot(lot))


@router.get("/chips")
def list_chips(bench: BenchHere) -> ChipList:
    """List the chips that have a number of their own."""
    return ChipList(chips=[ChipView.of(chip) for chip in bench.erasing.chips()])


@router.post("/chips", status_code=201)
def add_chip(bench: BenchHere, chip: ChipBody) -> ChipView:
    """Record a chip by the number painted on its underside."""
    return ChipView.of(bench.erasing.add_chip(chip))


@router.get("/lots/{name}/history")
def show_lot_history(bench: BenchHere, name: LotName) -> HistoryView:
    """Show what became of a lot: light, counts, jobs and failures, newest first."""
    return HistoryView.of(bench.erasing.lot_history(name))


@router.get("/chips/{number}/history")
def show_chip_history(bench: BenchHere, number: ChipNumber) -> HistoryView:
    """Show what became of a chip that has a number: light, counts, jobs and failures, newest first."""
    return HistoryView.of(bench.erasing.chip_history(number))
