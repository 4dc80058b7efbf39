"""Erase-time estimates."""

from typing import Annotated

from fastapi import APIRouter, Body

from api.schemas.erasure import EraseEstimateView
from api.wiring import BenchHere
from daemon.erasure.requests import EraseRequest

EraseBody = Annotated[EraseRequest, Body(examples=[{"part": "M27C512", "lamp": "4w-t5", "distance_mm": 25}])]

router = APIRouter(prefix="/v1/erase-estimates", tags=["erasure"])


@router.post("")
def estimate_erasure(bench: BenchHere, request: EraseBody) -> EraseEstimateView:
    """Estimate how long a chip must lie under a lamp: a dose divided by an irradiance, with its range.

    Read the cautions that come with it: this light harms eyes and skin.
    """
    return EraseEstimateView.of(bench.erase_estimate(request))
