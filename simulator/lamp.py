"""A tubular UV lamp over a tray of chips: irradiance by integration over the glowing surface, and exposure.

The tube is a cylinder that glows evenly and diffusely (Lambert's law; standard radiometry). A point of it
with radiance R adds `R cos(at the tube) cos(at the chip) / distance²` for its area, where it faces the
chip. No closed formula is used: the daemon's estimate uses one, and must be able to disagree with this.

Numbers of tubes are from memory; depth and time constant of the warm-up are ours.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import exp, pi

import numpy as np

from simulator.chip.chip import Chip

#: Two faces of fused silica pass this much at 253.7 nm (Fresnel; n = 1.506 from memory).
WINDOW_TRANSMISSION = 0.920

_ALONG = 96
_ROUND = 256


@dataclass(frozen=True, slots=True)
class Tube:
    """One lamp tube: UV-C power in watts, length of the arc and radius of the glass in metres."""

    uv_w: float
    arc_m: float
    radius_m: float = 0.008


#: Common germicidal tubes (from memory; arc lengths are estimates; T5 is 16 mm thick, T8 is 26 mm).
TUBES = {
    "4W-T5": Tube(0.9, 0.080),
    "8W-T5": Tube(2.4, 0.235),
    "15W-T8": Tube(4.7, 0.35, 0.013),
    "30W-T8": Tube(11.2, 0.80, 0.013),
}


@dataclass(frozen=True, slots=True)
class Position:
    """Where a chip's die lies: below the tube's axis, along it from its middle, and sideways; metres."""

    height_m: float = 0.033
    along_m: float = 0.0
    sideways_m: float = 0.0


@lru_cache(maxsize=256)
def irradiance_mw_per_cm2(tube: Tube, position: Position) -> float:
    """Return the irradiance of a face-up surface under a new, warm tube, mW/cm².

    Raises ValueError for a position inside the glass.
    """
    distance_m = (position.height_m**2 + position.sideways_m**2) ** 0.5
    if distance_m <= tube.radius_m:
        raise ValueError(f"{distance_m * 1000:.1f} mm from the axis is inside the tube")
    nodes, weights = np.polynomial.legendre.leggauss(_ALONG)
    along = nodes * tube.arc_m / 2
    angle = (np.arange(_ROUND) + 0.5) * 2 * pi / _ROUND
    # From each patch of the surface to the chip; z is up, the axis runs along x at z = 0.
    dx = position.along_m - along[:, None]
    dy = position.sideways_m - tube.radius_m * np.sin(angle)[None, :]
    dz = -position.height_m - tube.radius_m * np.cos(angle)[None, :]
    squared = dx**2 + dy**2 + dz**2
    leaving = dy * np.sin(angle) + dz * np.cos(angle)
    arriving = np.maximum(-dz, 0.0)
    shares = np.maximum(leaving, 0.0) * arriving / squared**2
    surface_m2 = 2 * pi * tube.radius_m * tube.arc_m
    radiance = tube.uv_w / surface_m2 / pi
    patch_m2 = weights[:, None] * tube.arc_m / 2 * tube.radius_m * 2 * pi / _ROUND
    watts_per_m2 = float(np.sum(radiance * shares * patch_m2))
    return watts_per_m2 / 10


@dataclass(frozen=True, slots=True)
class Lamp:
    """A lamp as it truly is.

    `age` is the share of its power that is left, `dirt` what dirt on tube and windows lets through. Each
    cold start warms up as `1 - d exp(-t/tau)`.
    """

    tube: Tube = TUBES["8W-T5"]
    age: float = 1.0
    dirt: float = 1.0
    warm_up_loss: float = 0.4
    warm_up_s: float = 45.0

    def warm_seconds(self, lit_s: float) -> float:
        """Return how many seconds of full power a cold start of `lit_s` seconds gives."""
        return lit_s - self.warm_up_loss * self.warm_up_s * (1 - exp(-lit_s / self.warm_up_s))

    def dose_j_per_cm2(self, lit_s: float, position: Position, *, cold: bool = True) -> float:
        """Return the dose that reaches a die through its window in `lit_s` seconds."""
        if lit_s < 0:
            raise ValueError("a lamp is not lit for negative time")
        full_s = self.warm_seconds(lit_s) if cold else lit_s
        passed = self.age * self.dirt * WINDOW_TRANSMISSION
        return irradiance_mw_per_cm2(self.tube, position) / 1000 * passed * full_s

    def expose(self, chip: Chip, lit_s: float, position: Position, *, cold: bool = True) -> float:
        """Light a chip for `lit_s` seconds; return the dose at its die in J/cm², 0 without a window."""
        if not chip.has_window:
            return 0.0
        dose = self.dose_j_per_cm2(lit_s, position, cold=cold)
        chip.expose(dose)
        return dose
