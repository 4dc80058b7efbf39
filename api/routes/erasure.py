"""Erase-time estimates."""

from fastapi import APIRouter

from api.schemas.erasure import EraseEstimateView
from api.wiring import BenchHere
from daemon.erasure.requests import EraseRequest

router = APIRouter(prefix="/v1/erase-estimates", tags=["erasure"])


@router.post("")
def estimate_erasure(bench: BenchHere, request: EraseRequest) -> EraseEstimateView:
    """Estimate how long a chip must lie under a lamp: a dose divided by an irradiance, with its range.

    Read the cautions that come with it: this light harms eyes and skin.
    """
    return EraseEstimateView.of(bench.erase_estimate(request))
