"""How long to expose a chip: dose over irradiance, with what is not known left visible.

First form. The irradiance comes from a tube's figures and the place, or is stated; losses come from published
spreads where there are any and are called assumptions where there are none. The range takes every unknown at
its best and at its worst at once: wide, because before a chip was read nothing better can be said honestly.
"""

from dataclasses import dataclass, field
from math import prod

from daemon.erasure.cautions import cautions_for
from daemon.erasure.checks import within
from daemon.erasure.inputs import (
    AGE,
    DIRT,
    FORMULA,
    WARM_UP,
    WINDOW,
    EstimateInput,
    LampPlace,
    Losses,
    MakerWords,
    Spread,
    StatedIrradiance,
    stated_or,
)
from daemon.erasure.light import TrayPlace
from daemon.erasure.safety import Caution
from daemon.erasure.tube import Confidence

_MJ_PER_J = 1000


@dataclass(frozen=True, slots=True)
class EraseEstimate:
    """The time to expose a chip, in seconds, and everything it was made from.

    `place_irradiance_mw_per_cm2` is what a new, warm, clean lamp gives before the window, or what was stated;
    `irradiance_mw_per_cm2` is what is left after tolerances and losses. `cautions` begin with what concerns
    this estimate and end with `UVC_CAUTIONS`.
    """

    time_s: Spread
    dose_j_per_cm2: float
    place_irradiance_mw_per_cm2: float
    irradiance_mw_per_cm2: Spread
    inputs: tuple[EstimateInput, ...]
    cautions: tuple[Caution, ...] = field(repr=False)


def estimate_erase(
    dose_j_per_cm2: float,
    light: LampPlace | TrayPlace | StatedIrradiance,
    *,
    losses: Losses | None = None,
    maker_words: MakerWords | None = None,
) -> EraseEstimate:
    """Estimate the exposure that gives a dose: time = dose / irradiance, plus what a cold start loses.

    `dose_j_per_cm2` is the data sheet's (0.1 to 1000; J/cm² and W·s/cm² are the same). `maker_words` are only
    compared with, in a caution. Raises BenchError `erase-estimate-input` for a figure out of range.
    """
    within("dose_j_per_cm2", dose_j_per_cm2, 0.1, 1000, "J/cm²")
    losses = losses or Losses()
    place, facts, factors = _light_inputs(light, losses)
    warm_up = stated_or(WARM_UP, losses.warm_up_s)
    irradiance = Spread(
        place * prod(each.value.low for each in factors),
        place * prod(each.value.nominal for each in factors),
        place * prod(each.value.high for each in factors),
    )
    dose_mj_per_cm2 = dose_j_per_cm2 * _MJ_PER_J
    time_s = Spread(
        dose_mj_per_cm2 / irradiance.high + warm_up.value.low,
        dose_mj_per_cm2 / irradiance.nominal + warm_up.value.nominal,
        dose_mj_per_cm2 / irradiance.low + warm_up.value.high,
    )
    dose = _exact("dose", dose_j_per_cm2, "J/cm²", "the part's data")
    return EraseEstimate(
        time_s=time_s,
        dose_j_per_cm2=dose_j_per_cm2,
        place_irradiance_mw_per_cm2=place,
        irradiance_mw_per_cm2=irradiance,
        inputs=(dose, *facts, *factors, warm_up),
        cautions=cautions_for(dose_j_per_cm2, light, irradiance, losses, maker_words),
    )


def _light_inputs(
    light: LampPlace | TrayPlace | StatedIrradiance, losses: Losses
) -> tuple[float, list[EstimateInput], list[EstimateInput]]:
    """Return the irradiance before losses, what it was made from, and the factors still to come."""
    window_and_dirt = [WINDOW, stated_or(DIRT, losses.dirt)]
    if isinstance(light, TrayPlace):
        usual = [*light.factors(), stated_or(light.age, losses.age), *window_and_dirt]
        return light.new_irradiance_mw_per_cm2, light.facts(), light.learned() or usual
    if isinstance(light, LampPlace):
        factors = [*_lamp_factors(light), stated_or(AGE, losses.age), *window_and_dirt]
        return light.new_irradiance_mw_per_cm2, _lamp_facts(light), factors
    # A reading of the lamp as it is has its age in it.
    age = [] if light.measured_now else [stated_or(AGE, losses.age)]
    factors = [_stated_factor(light), *age, *window_and_dirt]
    return light.irradiance_mw_per_cm2, [_stated_fact(light)], factors


def _lamp_facts(place: LampPlace) -> list[EstimateInput]:
    tube = place.tube
    height_origin = f"distance from the glass, and the tube's radius of {tube.radius_mm:g} mm"
    return [
        _exact("UV-C output of the lamp", tube.uvc_w, "W", tube.origin, tube.confidence),
        _exact("arc length of the lamp", tube.arc_length_mm, "mm", tube.origin, tube.confidence),
        _exact("height of the lamp's axis above the window", place.height_mm, "mm", height_origin),
        _exact("place along the lamp, from its middle", place.along_mm, "mm", "as given"),
        _exact("place beside the lamp", place.across_mm, "mm", "as given"),
    ]


def _lamp_factors(place: LampPlace) -> list[EstimateInput]:
    tube = place.tube
    output = Spread.about_one(tube.tolerance)
    return [EstimateInput("tolerance of the output", output, "", tube.origin, tube.confidence), FORMULA]


def _stated_fact(light: StatedIrradiance) -> EstimateInput:
    origin = "read at the chip's place" if light.measured_now else "stated for the lamp when new"
    return _exact("irradiance", light.irradiance_mw_per_cm2, "mW/cm²", origin)


def _stated_factor(light: StatedIrradiance) -> EstimateInput:
    spread = Spread.about_one(light.tolerance)
    return EstimateInput("tolerance of the irradiance", spread, "", "as given or usual", Confidence.ASSUMED)


def _exact(
    name: str, value: float, unit: str, origin: str, confidence: Confidence = Confidence.STATED
) -> EstimateInput:
    return EstimateInput(name, Spread.exactly(value), unit, origin, confidence)
