"""Lots of chips, and chips that have a number of their own."""

from typing import Annotated

from fastapi import APIRouter, Body

from api.schemas.lamps import ChipList, ChipView, LotList, LotView
from api.wiring import BenchHere
from daemon.exposures.request import NewChip, NewLot

router = APIRouter(prefix="/v1", tags=["lots"])

LotBody = Annotated[NewLot, Body(examples=[{"name": "tern-8 spares", "part": "M27C512", "chips": 20}])]
ChipBody = Annotated[NewChip, Body(examples=[{"number": "17", "part": "M27C512", "lot": "tern-8 spares"}])]


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
