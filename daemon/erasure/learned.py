"""What a lamp's past exposures tell about its real strength, and whether it weakens.

A chip's readings give the seconds at full output after which half of its bits are erased. Times the
irradiance that new tubes would give at its place, that is the dose that half of its bits seem to need. Two
chips of one part need about the same, so a lamp that seems to need twice the dose has half the strength. How
much a part truly needs is not published: it is taken to be 0.27 of the data sheet's dose within a factor of 2
or so (ours), and only a meter reading narrows that. So the strength of a lamp is known roughly, its *change*
well.

Linear Gaussian estimation in logarithms: the lamp, and one offset for each part.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from daemon.erasure.checks import within
from daemon.erasure.light import LampStrength

MEDIAN_SHARE = 0.27
"""Dose that half of the bits need, of the data sheet's (ours)."""
PART_LOG_SD = 0.4
"""How far a part may be from that."""
CHIP_LOG_SD = 0.10
"""How far one chip may be from its part (ours)."""
PRIOR_FACTOR, PRIOR_LOG_SD = 0.78, 0.3
"""Before anything was read: middle of the published ageing, and the window (ours)."""
WINDOW = 0.92
"""What two faces of fused silica pass (Fresnel); a meter stands before the window, the die behind it."""
_Z95 = 1.96
_RECENT = 3
_WEAKER_SHARE = 0.10
_WINDOW_LOG = 0.3
_SECURE_Z = 2.0


@dataclass(frozen=True, slots=True)
class Seen:
    """What one chip's readings said in one exposure.

    `exposure` names the exposure, `median_effective_s` and `log_se` come from the fit of its readings;
    `new_irradiance_mw_per_cm2` is what new tubes give at its place.
    """

    exposure: str
    at: datetime
    part: str
    sheet_dose_j_per_cm2: float
    new_irradiance_mw_per_cm2: float
    median_effective_s: float
    log_se: float
    chip: str = ""

    def __post_init__(self) -> None:
        within("sheet_dose_j_per_cm2", self.sheet_dose_j_per_cm2, 0.1, 1000, "J/cm²")
        within("new_irradiance_mw_per_cm2", self.new_irradiance_mw_per_cm2, 1e-4, 1000, "mW/cm²")
        within("median_effective_s", self.median_effective_s, 0.1, 1e7, "s")
        within("log_se", self.log_se, 0, 3, "")

    @property
    def log_factor(self) -> float:
        """Logarithm of the lamp's strength, if this part needed exactly the usual dose."""
        needed = MEDIAN_SHARE * self.sheet_dose_j_per_cm2 * 1000
        return math.log(needed / (self.new_irradiance_mw_per_cm2 * self.median_effective_s))

    @property
    def log_variance(self) -> float:
        """Variance of that from fit and chip, without the part's."""
        return self.log_se**2 + CHIP_LOG_SD**2


@dataclass(frozen=True, slots=True)
class MeterReading:
    """A UV-C meter read at a place: `measured_mw_per_cm2` against what new tubes would give there.

    `tolerance` is the meter's share either way (0.01 to 0.9), taken as two standard deviations.
    """

    at: datetime
    measured_mw_per_cm2: float
    new_irradiance_mw_per_cm2: float
    tolerance: float = 0.15

    def __post_init__(self) -> None:
        within("measured_mw_per_cm2", self.measured_mw_per_cm2, 1e-4, 1000, "mW/cm²")
        within("new_irradiance_mw_per_cm2", self.new_irradiance_mw_per_cm2, 1e-4, 1000, "mW/cm²")
        within("tolerance", self.tolerance, 0.01, 0.9, "of the reading")


def learn_strength(seen: Sequence[Seen], meter: Sequence[MeterReading] = ()) -> LampStrength | None:
    """Return the lamp's strength at the die from all evidence; None without any."""
    if not seen and not meter:
        return None
    parts = sorted({each.part for each in seen})
    size = 1 + len(parts)
    precision: NDArray[np.float64] = np.zeros((size, size))
    pull: NDArray[np.float64] = np.zeros(size)
    precision[0, 0] = 1 / PRIOR_LOG_SD**2
    pull[0] = math.log(PRIOR_FACTOR) / PRIOR_LOG_SD**2
    for index in range(1, size):
        precision[index, index] = 1 / PART_LOG_SD**2
    for each in seen:
        row = np.zeros(size)
        row[0], row[1 + parts.index(each.part)] = 1, -1  # log_factor = lamp - offset of the part
        precision += np.outer(row, row) / each.log_variance
        pull += row * each.log_factor / each.log_variance
    for read in meter:
        variance = (read.tolerance / 2) ** 2
        precision[0, 0] += 1 / variance
        pull[0] += math.log(WINDOW * read.measured_mw_per_cm2 / read.new_irradiance_mw_per_cm2) / variance
    covariance = np.linalg.inv(precision)
    log_factor = float((covariance @ pull)[0])
    return LampStrength(math.exp(log_factor), math.sqrt(float(covariance[0, 0])), _origin(seen, meter))


def _origin(seen: Sequence[Seen], meter: Sequence[MeterReading]) -> str:
    exposures = len({each.exposure for each in seen})
    sources = []
    if seen:
        sources.append(f"{len(seen)} chips of {exposures} past exposure{'s' if exposures != 1 else ''}")
    if meter:
        sources.append(f"{len(meter)} meter reading{'s' if len(meter) != 1 else ''}")
    words = f"learned from {' and '.join(sources)}"
    if not meter:
        words += "; a part is taken to need 0.27 of its data sheet's dose to half, within a factor of 2"
    return words


@dataclass(frozen=True, slots=True)
class Weakening:
    """How the last exposures compare with those before: `factor` (below 1: weaker) and its 95 % interval."""

    factor: float
    low: float
    high: float
    words: str


def weakening(seen: Sequence[Seen]) -> Weakening | None:
    """Compare the last three exposures with those before, part by part; None when nothing is secure.

    Called out is a loss of more than a tenth that lies two standard errors away from none. Chips of one part
    are compared with each other only, so what the part needs drops out.
    """
    order = sorted({each.exposure: each.at for each in seen}.items(), key=lambda item: item[1])
    recent = {name for name, _ in order[-min(_RECENT, max(1, len(order) // 2)) :]}
    weight, total = 0.0, 0.0
    for part in {each.part for each in seen}:
        after = [each for each in seen if each.part == part and each.exposure in recent]
        before = [each for each in seen if each.part == part and each.exposure not in recent]
        if after and before:
            (late, late_var), (early, early_var) = _mean(after), _mean(before)
            weight += 1 / (late_var + early_var)
            total += (late - early) / (late_var + early_var)
    if not weight:
        return None
    change, se = total / weight, math.sqrt(1 / weight)
    if change > math.log(1 - _WEAKER_SHARE) or change > -_SECURE_Z * se:
        return None
    factor, reach = math.exp(change), math.exp(_Z95 * se)
    words = (
        f"The last {len(recent)} exposure{'s' if len(recent) != 1 else ''} had {1 - factor:.0%} less light"
        " than"
        f" those before ({1 - min(factor * reach, 1):.0%} to {1 - factor / reach:.0%} less, 95 %): the tubes"
        " age,"
        " or lamp, reflector or windows are dirty. Clean them; if it stays so, replace the tubes."
    )
    return Weakening(factor, factor / reach, factor * reach, words)


def _mean(seen: Sequence[Seen]) -> tuple[float, float]:
    weights = [1 / each.log_variance for each in seen]
    middle = sum(w * each.log_factor for w, each in zip(weights, seen, strict=True)) / sum(weights)
    return middle, 1 / sum(weights)


def dim_windows(seen: Sequence[Seen]) -> tuple[str, ...]:
    """Name chips that got a quarter less light than others of their part in the same exposure.

    One chip that lags alone has a dirty window (or is worn); a lamp that weakens makes all lag.
    """
    words = []
    for exposure in dict.fromkeys(each.exposure for each in seen):
        group = [each for each in seen if each.exposure == exposure]
        for each in group:
            peers = [other.log_factor for other in group if other is not each and other.part == each.part]
            if peers and each.log_factor < float(np.median(peers)) - _WINDOW_LOG:
                less = 1 - math.exp(each.log_factor - float(np.median(peers)))
                words.append(
                    f"{each.chip or 'One chip'} got {less:.0%} less light than others of its part beside it:"
                    " clean its window. If that does not help, the chip is worn."
                )
    return tuple(words)
