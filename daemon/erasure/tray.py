"""The tray under a lamp: where on it the light is strong, and where each chip should lie."""

import math
from dataclasses import dataclass

from daemon.catalogue.model import Part
from daemon.erasure.checks import within
from daemon.erasure.lamp import Lamp
from daemon.errors import BenchError, Code

GAP_MM = 2.0
"""Between packages, so that fingers and legs find room (common practice, no source)."""
_PIN_PITCH_MM = 2.54
_WIDTHS_MM = {24: 15.5, 28: 15.5, 32: 15.5, 40: 15.5, 42: 15.5}
"""Body widths of ceramic packages on 15.24 mm (0.6 inch) rows, from memory."""
_CHIPS_MAX = 500


@dataclass(frozen=True, slots=True)
class Footprint:
    """What a chip takes up on the tray, lying along the tubes: 1 to 200 mm each way."""

    along_mm: float
    across_mm: float

    def __post_init__(self) -> None:
        within("along_mm", self.along_mm, 1, 200, "mm")
        within("across_mm", self.across_mm, 1, 200, "mm")


def footprint_of(part: Part) -> Footprint:
    """Return about how large a part's package is (in-line: a pin every 2.54 mm of each side)."""
    pins = len(part.pins)
    if part.package.startswith("DIP"):
        return Footprint(pins / 2 * _PIN_PITCH_MM, _WIDTHS_MM.get(pins, 15.5))
    side = pins / 4 * 1.27 + 5  # a square carrier: pins at 1.27 mm on four sides, and its corners
    return Footprint(side, side)


@dataclass(frozen=True, slots=True)
class Tray:
    """The flat ground under the lamp, its middle under the lamp's: 10 to 2000 mm each way."""

    along_mm: float
    across_mm: float

    def __post_init__(self) -> None:
        within("tray_along_mm", self.along_mm, 10, 2000, "mm")
        within("tray_across_mm", self.across_mm, 10, 2000, "mm")


@dataclass(frozen=True, slots=True)
class Place:
    """Where a chip's window lies, and what new, warm and clean tubes give there (mW/cm²)."""

    along_mm: float
    across_mm: float
    new_irradiance_mw_per_cm2: float


def places_on(lamp: Lamp, tray: Tray, footprint: Footprint) -> tuple[Place, ...]:
    """Return where chips of one size can lie on the tray, the brightest first.

    Rows along the tubes, evenly spread about the middle, `GAP_MM` between packages. Two arrangements are
    tried (a chip or a gap at the middle, each way), and the one with the most chips and the most light at its
    worst place is taken. Empty when not even one fits.
    """
    best: tuple[Place, ...] = ()
    for along in _rows(tray.along_mm, footprint.along_mm):
        for across in _rows(tray.across_mm, footprint.across_mm):
            found = [Place(x, y, lamp.new_irradiance_mw_per_cm2(x, y)) for x in along for y in across]
            found.sort(key=lambda place: (-place.new_irradiance_mw_per_cm2, place.along_mm, place.across_mm))
            if _rank(found) > _rank(best):
                best = tuple(found)
    return best


def lay_out(lamp: Lamp, tray: Tray, footprint: Footprint, chips: int) -> tuple[Place, ...]:
    """Return the brightest places for so many chips (1 to 500), the brightest first.

    Raises BenchError `erase-estimate-input` when fewer fit.
    """
    within("chips", chips, 1, _CHIPS_MAX, "chips")
    places = places_on(lamp, tray, footprint)
    if len(places) < chips:
        raise BenchError(
            Code.ERASE_ESTIMATE_INPUT,
            f"{len(places)} chips of {footprint.along_mm:g} by {footprint.across_mm:g} mm fit on a tray of"
            f" {tray.along_mm:g} by {tray.across_mm:g} mm, not {chips}.",
            hint="Make two loads of it, or use a larger tray; its edges get little light.",
            field="chips",
            details={"fit": len(places), "asked": chips},
        )
    return places[:chips]


def _rows(length_mm: float, size_mm: float) -> list[list[float]]:
    """Return the middles of rows for an odd and for an even count, those that fit."""
    pitch_mm = size_mm + GAP_MM
    fit = math.floor((length_mm + GAP_MM) / pitch_mm)
    counts = {count for count in (fit, fit - 1) if count >= 1}
    return [[(index - (count - 1) / 2) * pitch_mm for index in range(count)] for count in sorted(counts)]


def _rank(places: list[Place] | tuple[Place, ...]) -> tuple[int, float]:
    return len(places), places[-1].new_irradiance_mw_per_cm2 if places else 0.0


@dataclass(frozen=True, slots=True)
class TrayMap:
    """Irradiance over the tray in mW/cm² of new, warm and clean tubes, in the middle of equal fields.

    `rows[0]` is the edge with the most negative across_mm; within a row along_mm grows.
    """

    tray: Tray
    rows: tuple[tuple[float, ...], ...]

    @property
    def highest(self) -> float:
        """The brightest field."""
        return max(max(row) for row in self.rows)

    @property
    def lowest(self) -> float:
        """The darkest field."""
        return min(min(row) for row in self.rows)


def map_of(lamp: Lamp, tray: Tray, columns: int = 48, lines: int = 12) -> TrayMap:
    """Return the light over the tray in `columns` (along, 1 to 200) by `lines` (across, 1 to 200) fields."""
    within("columns", columns, 1, 200, "fields")
    within("lines", lines, 1, 200, "fields")
    return TrayMap(
        tray,
        tuple(
            tuple(
                lamp.new_irradiance_mw_per_cm2(
                    _middle(tray.along_mm, columns, column), _middle(tray.across_mm, lines, line)
                )
                for column in range(columns)
            )
            for line in range(lines)
        ),
    )


def _middle(length_mm: float, count: int, index: int) -> float:
    return length_mm * ((index + 0.5) / count - 0.5)
