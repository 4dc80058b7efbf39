"""Erase-time estimates."""

from typing import Annotated

from fastapi import APIRouter, Body, Query

from api.schemas.erasure import CautionView, EraseEstimateView
from api.schemas.exposures import ElectricalView, ForecastView
from api.schemas.lamps import TrayPlans, TrayPlanView
from api.wiring import PLAIN, BenchHere
from daemon.erasure.loads import TrayPlan
from daemon.erasure.picture import Lying, text_picture
from daemon.erasure.requests import EraseRequest, ReadingsRequest
from daemon.erasure.tray import map_of
from daemon.exposures.lamps import KnownLamp
from daemon.exposures.request import TrayWish

EraseBody = Annotated[EraseRequest, Body(examples=[{"part": "M27C512", "lamp": "4w-t5", "distance_mm": 25}])]

router = APIRouter(prefix="/v1/erase-estimates", tags=["erasure"])


@router.post("")
def estimate_erasure(bench: BenchHere, request: EraseBody) -> EraseEstimateView:
    """Estimate how long a chip must lie under a lamp: a dose divided by an irradiance, with its range.

    Read the cautions that come with it: this light harms eyes and skin.
    """
    return EraseEstimateView.of(bench.erase_estimate(request))


@router.post("/tray")
def estimate_tray(bench: BenchHere, wish: TrayWish) -> TrayPlans:
    """Plan a tray of chips, mixed ones too: where each should lie, and how long each must stay.

    Nothing is recorded; `POST /v1/exposures` does that.
    """
    known, plans = bench.erasing.exposures.plans(wish)
    return TrayPlans(
        plans=[TrayPlanView.of(plan, _picture(known, plan)) for plan in plans],
        cautions=[CautionView.of(caution) for caution in known.cautions],
    )


@router.post("/readings")
def estimate_from_readings(bench: BenchHere, request: ReadingsRequest) -> ForecastView:
    """Estimate how much longer from counts of bits at two or more exposures.

    With one count there is no number but the data sheet's; counts that cannot be true are refused.
    """
    return ForecastView.of(bench.erasing.outlook(request))


@router.get("/electrical")
def estimate_electrically(
    bench: BenchHere,
    part: Annotated[str, Query(min_length=1, max_length=100, pattern=PLAIN, description="Part id or name.")],
) -> ElectricalView:
    """Estimate how long an erase without light takes, for parts that have one."""
    return ElectricalView.of(bench.erasing.electrical(part))


def _picture(known: KnownLamp, plan: TrayPlan) -> list[str]:
    light = map_of(known.lamp, known.spec.tray, 60, 12)
    return text_picture(light, [Lying(chip.place, chip.footprint) for chip in plan.chips if chip.load == 1])
