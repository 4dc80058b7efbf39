"""A chip's place under a lamp, with all that is known of how much light really arrives there."""

import math
from dataclasses import dataclass

from daemon.erasure.ageing import age_after
from daemon.erasure.checks import within
from daemon.erasure.inputs import FORMULA, EstimateInput, Spread
from daemon.erasure.lamp import Lamp
from daemon.erasure.tube import Confidence

_Z95 = 1.96
_REFLECTOR_TOLERANCE = 0.2


@dataclass(frozen=True, slots=True)
class LampStrength:
    """What a lamp truly gives at the die, against the figure of its new tubes: one factor for all losses.

    Age, warmth, reflector, dirt, window and errors of the figures are in it. `factor` is above 0 to 10,
    `log_se` the standard error of its logarithm (0 to 3), `origin` says in words what it was learned from.
    """

    factor: float
    log_se: float
    origin: str

    def __post_init__(self) -> None:
        within("factor", self.factor, 0.001, 10, "of new")
        within("log_se", self.log_se, 0, 3, "")

    @property
    def spread(self) -> Spread:
        """The factor with its 95 % interval."""
        reach = math.exp(_Z95 * self.log_se)
        return Spread(self.factor / reach, self.factor, self.factor * reach)


@dataclass(frozen=True, slots=True)
class TrayPlace:
    """A chip at a place of the tray (up to 2000 mm from its middle). `strength`: learned, if it was."""

    lamp: Lamp
    along_mm: float = 0.0
    across_mm: float = 0.0
    strength: LampStrength | None = None

    def __post_init__(self) -> None:
        within("along_mm", self.along_mm, -2000, 2000, "mm")
        within("across_mm", self.across_mm, -2000, 2000, "mm")

    @property
    def new_irradiance_mw_per_cm2(self) -> float:
        """What the lamp gives here when new, warm and clean."""
        return self.lamp.new_irradiance_mw_per_cm2(self.along_mm, self.across_mm)

    @property
    def age(self) -> EstimateInput:
        """Output against new, from the lamp's hours if they are known."""
        return age_after(self.lamp.hours)

    def facts(self) -> list[EstimateInput]:
        """Return what the irradiance was computed from."""
        return [
            *(
                EstimateInput(
                    f"UV-C output of tube {number}",
                    Spread.exactly(each.tube.uvc_w),
                    "W",
                    f"{each.tube.name}: {each.tube.origin}",
                    each.tube.confidence,
                )
                for number, each in enumerate(self.lamp.tubes, 1)
            ),
            _given("distance from the lowest glass to the window", self.lamp.distance_mm, "mm"),
            _given("place along the lamp, from its middle", self.along_mm, "mm"),
            _given("place beside the lamp", self.across_mm, "mm"),
        ]

    def factors(self) -> list[EstimateInput]:
        """Return tolerance of the tubes, accuracy of the formula and reflector."""
        tubes = self.lamp.tubes
        weakest = min((each.tube for each in tubes), key=lambda tube: tube.confidence is Confidence.STATED)
        found = [
            EstimateInput(
                "tolerance of the output",
                Spread.about_one(self.lamp.tolerance),
                "",
                weakest.origin,
                weakest.confidence,
            ),
            FORMULA,
        ]
        if self.lamp.reflector != 1:
            found.append(
                EstimateInput(
                    "accuracy of the reflector's factor",
                    Spread.about_one(_REFLECTOR_TOLERANCE),
                    "",
                    f"given as {self.lamp.reflector:g}; 20 % either way assumed",
                    Confidence.ASSUMED,
                )
            )
        return found

    def learned(self) -> list[EstimateInput]:
        """Return the one factor that stands for all losses, if the lamp has been learned."""
        if self.strength is None:
            return []
        name = "strength of the lamp at the die, all losses together"
        return [EstimateInput(name, self.strength.spread, "", self.strength.origin, Confidence.LEARNED)]


def _given(name: str, value: float, unit: str) -> EstimateInput:
    return EstimateInput(name, Spread.exactly(value), unit, "as given", Confidence.STATED)
