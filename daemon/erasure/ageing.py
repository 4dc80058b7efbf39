"""What a tube's hours and its warm-up take from its light."""

import math
from dataclasses import dataclass
from itertools import pairwise

from daemon.erasure.checks import within
from daemon.erasure.inputs import AGE, EstimateInput, Spread
from daemon.erasure.tube import Confidence

_HOURS_MAX = 100_000.0

AGEING: tuple[tuple[float, Spread], ...] = (
    (0.0, Spread(1.0, 1.0, 1.0)),
    (2000.0, Spread(0.85, 0.95, 1.0)),
    (5000.0, Spread(0.65, 0.90, 0.95)),
    (9000.0, Spread(0.65, 0.85, 0.90)),
)
"""Output against new after so many lit hours. The low edge is what a standard still accepts (GB 19258-2012:
0.85 at 2000 h, 0.65 at the end of a life of 5000 h or more), the high edge and the middle a lamp-system
maker's 10 to 15 % down over 9000 h; straight lines between (ours)."""

_SOURCE = "GB 19258-2012 for the low edge, a lamp-system maker's 10 to 15 % in 9000 h for the rest"


def age_after(hours: float | None) -> EstimateInput:
    """Return the output against new of a tube with `hours` lit hours (0 to 100,000); None: not known.

    Past the last point of `AGEING` the tube counts as at its end. BenchError `erase-estimate-input`.
    """
    if hours is None:
        return AGE
    within("hours", hours, 0, _HOURS_MAX, "h")
    origin = f"{hours:g} h lit; {_SOURCE}"
    return EstimateInput(AGE.name, _at(hours), "", origin, Confidence.PUBLISHED)


def _at(hours: float) -> Spread:
    for (before_h, before), (after_h, after) in pairwise(AGEING):
        if hours <= after_h:
            share = (hours - before_h) / (after_h - before_h)
            return Spread(
                before.low + share * (after.low - before.low),
                before.nominal + share * (after.nominal - before.nominal),
                before.high + share * (after.high - before.high),
            )
    return AGEING[-1][1]


@dataclass(frozen=True, slots=True)
class WarmUp:
    """A cold start: output is `1 - deficit exp(-t / fade_s)` of full (our model; both figures are assumed).

    `deficit` from 0 to 1, `fade_s` from 0.1 to 600. Each cold start so loses `deficit x fade_s` seconds.
    """

    deficit: float = 0.4
    fade_s: float = 45.0

    def __post_init__(self) -> None:
        within("deficit", self.deficit, 0, 1, "of full output")
        within("fade_s", self.fade_s, 0.1, 600, "s")

    def effective_s(self, lit_s: float, *, cold: bool = True) -> float:
        """Return how many seconds of full output a start of `lit_s` seconds (0 to 10⁷) is worth."""
        within("lit_s", lit_s, 0, 1e7, "s")
        if not cold:
            return lit_s
        return lit_s + self.deficit * self.fade_s * math.expm1(-lit_s / self.fade_s)

    def lit_s(self, effective_s: float, *, cold: bool = True) -> float:
        """Return how long the lamp must be lit for so many seconds of full output."""
        within("effective_s", effective_s, 0, 1e7, "s")
        if not cold:
            return effective_s
        low, high = effective_s, effective_s + self.deficit * self.fade_s
        for _ in range(60):  # halving: 18 s to far below a nanosecond, and no derivative that could be 0
            middle = (low + high) / 2
            low, high = (middle, high) if self.effective_s(middle) < effective_s else (low, middle)
        return high
