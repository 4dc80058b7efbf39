"""The light of a linear UV-C tube at a place near it.

On the axis, with the receiver facing the middle of the tube, the formula is Keitz's (H. A. E. Keitz, Light
Calculations and Measurements, 1971, as given in proceedings of the International Ozone Association, 2007).
The form for other places follows from the same model: a line, each piece of which radiates as a diffuse
surface does.

Published estimates of its accuracy are 3 to 5 % (Prytkov and others, against goniophotometry). A
diffuse cylinder of 8 mm radius gives up to 2.2 % more for an 8 W tube and up to 6.9 % more for a 4 W tube.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from daemon.erasure.checks import within

_MW_PER_CM2_IN_W_PER_MM2 = 1e5
_LONGEST_MM = 10_000.0


class Confidence(StrEnum):
    """How well a figure is known."""

    PUBLISHED = "published"
    """Read in a named publication."""
    STATED = "stated"
    """Given by the user."""
    RECALLED = "recalled"
    """From memory: not yet checked against a data sheet."""
    LEARNED = "learned"
    """From this bench's own exposures and readings."""
    ASSUMED = "assumed"
    """Our own assumption, or derived from one."""


@dataclass(frozen=True, slots=True)
class Tube:
    """A straight low-pressure mercury tube.

    `uvc_w` is its new output at 254 nm in watts (0.01 to 1000), `arc_length_mm` the lit length, `radius_mm`
    that of the glass, `tolerance` the share by which the output may be off either way (0 to 0.9), `origin`
    where the figures come from. Raises BenchError `erase-estimate-input` for a figure out of range.
    """

    name: str
    uvc_w: float
    arc_length_mm: float
    radius_mm: float
    tolerance: float = 0.10
    confidence: Confidence = Confidence.STATED
    origin: str = "as given for this lamp"

    def __post_init__(self) -> None:
        within("uvc_w", self.uvc_w, 0.01, 1000, "W")
        within("arc_length_mm", self.arc_length_mm, 1, _LONGEST_MM, "mm")
        within("radius_mm", self.radius_mm, 0.1, 100, "mm")
        within("tolerance", self.tolerance, 0, 0.9, "of the output")


def _tube(name: str, uvc_w: float, arc_length_mm: float, radius_mm: float) -> Tube:
    return Tube(
        name,
        uvc_w,
        arc_length_mm,
        radius_mm,
        tolerance=0.15,
        confidence=Confidence.RECALLED,
        origin="usual catalogue output of such tubes, arc length estimated; not checked against a data sheet",
    )


TUBES: Mapping[str, Tube] = MappingProxyType(
    {
        "4w-t5": _tube("4 W tube, T5", 0.9, 80, 8),
        "8w-t5": _tube("8 W tube, T5", 2.4, 235, 8),
        "15w-t8": _tube("15 W tube, T8", 4.7, 350, 13),
        "30w-t8": _tube("30 W tube, T8", 11.2, 800, 13),
    }
)
"""Common germicidal tubes by their electrical watts (the figures are recalled, see `Confidence`). T5 and T8
are diameters of five and eight eighths of an inch, 16 and 26 mm. The tolerance covers the spread of catalogue
figures at 1 m: 21 to 24 µW/cm² for the 8 W tube, where these give 24.1."""


def irradiance_on_axis_mw_per_cm2(uvc_w: float, arc_length_mm: float, axis_distance_mm: float) -> float:
    """Irradiance opposite the middle of a tube, in mW/cm².

    `axis_distance_mm` is from the tube's axis, not from its glass. Keitz: E = P (2α + sin 2α) / (2π² L D)
    with tan α = L / 2D. Near the tube it falls as 1/D, far off as 1/D².
    """
    uvc_w = within("uvc_w", uvc_w, 0, 1000, "W")
    length = within("arc_length_mm", arc_length_mm, 1, _LONGEST_MM, "mm")
    distance = within("axis_distance_mm", axis_distance_mm, 0.1, _LONGEST_MM, "mm")
    alpha = math.atan(length / (2 * distance))
    per_mm2 = uvc_w * (2 * alpha + math.sin(2 * alpha)) / (2 * math.pi**2 * length * distance)
    return per_mm2 * _MW_PER_CM2_IN_W_PER_MM2


def irradiance_mw_per_cm2(
    uvc_w: float, arc_length_mm: float, height_mm: float, along_mm: float = 0.0, across_mm: float = 0.0
) -> float:
    """Irradiance of a tube on a level tray anywhere below it, in mW/cm²; the light of several tubes adds.

    `height_mm` is from the tray up to the level of the tube's axis; `along_mm` is from the tube's middle
    along the tube, `across_mm` sideways from it. With D² = h² + y² and φ₁,₂ = atan((∓L/2 − x) / D):
    E = P h / (2π² L D²) · [(φ₂ − φ₁) + ½ (sin 2φ₂ − sin 2φ₁)].
    """
    uvc_w = within("uvc_w", uvc_w, 0, 1000, "W")
    length = within("arc_length_mm", arc_length_mm, 1, _LONGEST_MM, "mm")
    height = within("height_mm", height_mm, 0.1, _LONGEST_MM, "mm")
    along = within("along_mm", along_mm, -_LONGEST_MM, _LONGEST_MM, "mm")
    across = within("across_mm", across_mm, -_LONGEST_MM, _LONGEST_MM, "mm")
    distance = math.hypot(height, across)
    first = math.atan((-length / 2 - along) / distance)
    second = math.atan((length / 2 - along) / distance)
    angles = (second - first) + (math.sin(2 * second) - math.sin(2 * first)) / 2
    per_mm2 = uvc_w * height * angles / (2 * math.pi**2 * length * distance**2)
    return per_mm2 * _MW_PER_CM2_IN_W_PER_MM2
