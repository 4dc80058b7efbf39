"""Erasing by UV light: how strong the light is at a chip, how long that takes, and how not to be harmed.

`lamp` has the light of a tube at a place, `estimate` the time for a dose, `safety` what people must know. All
are pure functions of their arguments. What readings of a chip tell about the remaining time will stand beside
`estimate` and use the same inputs.
"""

from daemon.erasure.estimate import EraseEstimate, estimate_erase
from daemon.erasure.inputs import EstimateInput, LampPlace, Losses, MakerWords, Spread, StatedIrradiance
from daemon.erasure.lamp import (
    TUBES,
    Confidence,
    Lamp,
    irradiance_mw_per_cm2,
    irradiance_on_axis_mw_per_cm2,
)
from daemon.erasure.safety import (
    DAILY_LIMIT_MJ_PER_CM2,
    UVC_CAUTIONS,
    Caution,
    CautionCode,
    all_day_leak_share,
    permissible_exposure_s,
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
    "Losses",
    "MakerWords",
    "Spread",
    "StatedIrradiance",
    "all_day_leak_share",
    "estimate_erase",
    "irradiance_mw_per_cm2",
    "irradiance_on_axis_mw_per_cm2",
    "permissible_exposure_s",
]
