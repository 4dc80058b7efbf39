"""Erasing by UV light: how strong the light is at a chip, how long that takes, and how not to be harmed.

`tube` has the light of one tube at a place, `lamp` that of several, `tray` where chips should lie, `estimate`
the time for a dose, `loads` that of a tray of mixed chips, `safety` what people must know. All are pure
functions of their arguments.
"""

from daemon.erasure.estimate import EraseEstimate, estimate_erase
from daemon.erasure.inputs import EstimateInput, LampPlace, Losses, MakerWords, Spread, StatedIrradiance
from daemon.erasure.lamp import Lamp, PlacedTube
from daemon.erasure.light import LampStrength, TrayPlace
from daemon.erasure.safety import (
    DAILY_LIMIT_MJ_PER_CM2,
    UVC_CAUTIONS,
    Caution,
    CautionCode,
    all_day_leak_share,
    permissible_exposure_s,
)
from daemon.erasure.tube import (
    TUBES,
    Confidence,
    Tube,
    irradiance_mw_per_cm2,
    irradiance_on_axis_mw_per_cm2,
)

__all__ = [
    "DAILY_LIMIT_MJ_PER_CM2",
    "TUBES",
    "UVC_CAUTIONS",
    "Caution",
    "CautionCode",
    "Confidence",
    "EraseEstimate",
    "EstimateInput",
    "Lamp",
    "LampPlace",
    "LampStrength",
    "Losses",
    "MakerWords",
    "PlacedTube",
    "Spread",
    "StatedIrradiance",
    "TrayPlace",
    "Tube",
    "all_day_leak_share",
    "estimate_erase",
    "irradiance_mw_per_cm2",
    "irradiance_on_axis_mw_per_cm2",
    "permissible_exposure_s",
]
