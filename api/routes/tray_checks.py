"""Checking all chips of a tray, one after another: begin, look, pause, go on, give up."""

from fastapi import APIRouter

from api.routes.exposures import ExposureId
from api.schemas.tray_checks import TrayCheckDetails
from api.wiring import BenchHere, LeaseId
from daemon.exposures.request import CheckGoesOn, NewTrayCheck

router = APIRouter(prefix="/v1/exposures/{exposure_id}/check", tags=["exposures"])


@router.post("", status_code=202)
def begin_check(
    bench: BenchHere, exposure_id: ExposureId, wish: NewTrayCheck, lease_id: LeaseId = None
) -> TrayCheckDetails:
    """Begin to check the tray: each chip is asked for, noticed when it is put in, and looked at.

    Nothing has to be pressed. Events of type `tray-check` tell of each step; `prompt` is what to do now.
    """
    return TrayCheckDetails.of(bench.erasing.checks.begin(exposure_id, wish, lease_id))


@router.get("")
def show_check(bench: BenchHere, exposure_id: ExposureId) -> TrayCheckDetails:
    """Show the newest check of the tray as it stands."""
    return TrayCheckDetails.of(bench.erasing.checks.get(exposure_id))


@router.post("/pause")
def pause_check(bench: BenchHere, exposure_id: ExposureId) -> TrayCheckDetails:
    """Let the check stand still; what was found stays."""
    return TrayCheckDetails.of(bench.erasing.checks.pause(exposure_id))


@router.post("/continue", status_code=202)
def continue_check(
    bench: BenchHere, exposure_id: ExposureId, said: CheckGoesOn, lease_id: LeaseId = None
) -> TrayCheckDetails:
    """Go on with a check that stands still, some places left out or looked at again if you say so."""
    return TrayCheckDetails.of(bench.erasing.checks.proceed(exposure_id, said, lease_id))


@router.post("/cancel")
def cancel_check(bench: BenchHere, exposure_id: ExposureId) -> TrayCheckDetails:
    """Give the check up before all chips were looked at; what was found stays."""
    return TrayCheckDetails.of(bench.erasing.checks.cancel(exposure_id))
