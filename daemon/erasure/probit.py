"""How the share of bits that light has not yet erased falls with exposure, and the fit of that to counts.

Model: the logarithm of the exposure that a bit needs is normally distributed over the bits of a chip, mean
`mu` (of seconds at full output) and standard deviation `sigma`. Then ln t = mu + sigma z, with z the probit
of the erased share: a straight line. It is a model of ours for UV; no measurement of the distribution's shape
is known, so whatever follows from it holds only "if log-normal".

The counts themselves scatter little (10⁵ bits): what scatters is the lamp from exposure to exposure, so the
points are weighted by that noise and by the counts' own. A prior on sigma holds the line where readings are
too few or too close together to give its slope.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

LAMP_NOISE = 0.01
"""Standard deviation of ln(seconds) from one reading to the next (ours)."""
PRIOR_SIGMA = 0.10
PRIOR_LOG_SD = 0.7
"""ln(sigma) is taken to be normal about ln(0.10) with this standard deviation (ours). A hobbyist's 27C256s,
blank at 5.00 V and legible at 4.80 V, suggest 0.03 to 0.07."""
BITS_LEFT = 0.01
"""The target: one bit left in a hundred such chips."""
Z95 = 1.96

_NORMAL = NormalDist()
_STEPS = 100
_SIGMA_MIN, _SIGMA_MAX = 1e-3, 3.0


@dataclass(frozen=True, slots=True)
class Point:
    """A count: after `effective_s` seconds of full output (above 0), `left` of `bits` were not yet erased."""

    effective_s: float
    left: float
    bits: int

    @property
    def z(self) -> float:
        """Probit of the erased share; no bit left counts as half a bit, and so does none erased."""
        return -_NORMAL.inv_cdf(self.share_left)

    @property
    def share_left(self) -> float:
        """Share of bits left, kept half a bit away from none and from all."""
        return min(max(self.left, 0.5), self.bits - 0.5) / self.bits

    @property
    def z_variance(self) -> float:
        """Variance of `z` that counting alone brings: q (1 - q) / (N φ(z)²)."""
        share = self.share_left
        return share * (1 - share) / (self.bits * _NORMAL.pdf(self.z) ** 2)


@dataclass(frozen=True, slots=True)
class Line:
    """The fitted line and the covariance of (mu, sigma)."""

    mu: float
    sigma: float
    var_mu: float
    cov: float
    var_sigma: float
    bits: int

    @property
    def median_s(self) -> float:
        """Effective seconds after which half of the bits are erased."""
        return math.exp(self.mu)

    @property
    def log_se_median(self) -> float:
        """Standard error of the logarithm of that."""
        return math.sqrt(self.var_mu)

    def time_s(self, left: float = BITS_LEFT) -> float:
        """Return the effective seconds after which `left` bits (above 0) are expected to be left."""
        return math.exp(self.mu + self.sigma * target_z(self.bits, left))

    def left_at(self, effective_s: float) -> float:
        """Return how many bits are expected to be left after so many effective seconds (above 0)."""
        return self.bits * _NORMAL.cdf((self.mu - math.log(effective_s)) / self.sigma)

    def log_se(self, left: float = BITS_LEFT) -> float:
        """Return the standard error of the logarithm of `time_s`."""
        z = target_z(self.bits, left)
        return math.sqrt(max(self.var_mu + 2 * z * self.cov + z * z * self.var_sigma, 0.0))

    def interval_s(self, left: float = BITS_LEFT) -> tuple[float, float]:
        """Return the 95 % interval of `time_s`, if the model holds."""
        reach = math.exp(Z95 * self.log_se(left))
        middle = self.time_s(left)
        return middle / reach, middle * reach


def target_z(bits: int, left: float = BITS_LEFT) -> float:
    """Return the probit at which `left` of `bits` bits are expected to be left."""
    return -_NORMAL.inv_cdf(left / bits)


def fit_line(points: Sequence[Point]) -> Line:
    """Fit mu and sigma to one or more points: the most likely ones given the prior, by Gauss and Newton.

    With one point sigma is the prior's. Weights are 1 / (0.01² + sigma² v), v the counting variance of z.
    Raises ValueError without a point.
    """
    if not points:
        raise ValueError("a line needs a point")
    log_sigma = math.log(PRIOR_SIGMA)
    reach, before = 1.0, 0.0
    for _ in range(_STEPS):
        sigma = math.exp(log_sigma)
        weights = _weights(points, sigma)
        mu = _mean(points, weights, sigma)
        # In (mu, ln sigma), with mu at its best for this sigma.
        slope = (
            sum(
                w * (math.log(p.effective_s) - mu - sigma * p.z) * sigma * p.z
                for w, p in zip(weights, points, strict=True)
            )
            - (log_sigma - math.log(PRIOR_SIGMA)) / PRIOR_LOG_SD**2
        )
        step = slope / _information(points, weights, sigma)[1]
        if step * before < 0:
            reach /= 2  # the weights move with sigma: without this it may swing about the best one for ever
        step = before = min(max(step, -reach), reach)
        log_sigma = min(max(log_sigma + step, math.log(_SIGMA_MIN)), math.log(_SIGMA_MAX))
        if abs(step) < 1e-12:
            break
    sigma = math.exp(log_sigma)
    weights = _weights(points, sigma)
    total, curvature = _information(points, weights, sigma)
    mean_z = sum(w * p.z for w, p in zip(weights, points, strict=True)) / total
    var_sigma = sigma * sigma / curvature
    return Line(
        mu=_mean(points, weights, sigma),
        sigma=sigma,
        var_mu=1 / total + mean_z * mean_z * var_sigma,
        cov=-mean_z * var_sigma,
        var_sigma=var_sigma,
        bits=points[0].bits,
    )


def _weights(points: Sequence[Point], sigma: float) -> list[float]:
    return [1 / (LAMP_NOISE**2 + sigma * sigma * point.z_variance) for point in points]


def _mean(points: Sequence[Point], weights: Sequence[float], sigma: float) -> float:
    rests = [math.log(p.effective_s) - sigma * p.z for p in points]
    return sum(w * rest for w, rest in zip(weights, rests, strict=True)) / sum(weights)


def _information(points: Sequence[Point], weights: Sequence[float], sigma: float) -> tuple[float, float]:
    """Return the information on mu, and that on ln sigma once mu is fitted, the prior's included."""
    total = sum(weights)
    mean_z = sum(w * p.z for w, p in zip(weights, points, strict=True)) / total
    spread = sum(w * (p.z - mean_z) ** 2 for w, p in zip(weights, points, strict=True))
    return total, sigma * sigma * spread + 1 / PRIOR_LOG_SD**2
