"""A tray of chips under a lamp of several tubes, as they truly are.

Light of a tube: integration over its glowing surface (`simulator.lamp`). A mirror above the tubes shows each
once more, as far behind it as the tube is before it, weaker by its reflectance: plain geometry, so that it
brightens the tray unevenly and not by one factor. Tubes age exponentially, each cold start warms up, dirt
lies on the lamp and on each window, and no two exposures are quite alike. All this is ours, and none of it is
shared with the daemon's estimates.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import exp
from random import Random

from simulator.chip.chip import Chip
from simulator.lamp import WINDOW_TRANSMISSION, Lamp, Position, Tube, irradiance_mw_per_cm2


@dataclass(frozen=True, slots=True)
class HungTube:
    """A tube over the tray: its axis `height_m` above the chips' windows, its middle at a place; metres."""

    tube: Tube
    height_m: float = 0.033
    along_m: float = 0.0
    sideways_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Mirror:
    """A flat reflector `height_m` above the windows, over the tubes; it gives back `reflectance` (0 to 1)."""

    height_m: float = 0.06
    reflectance: float = 0.6


@dataclass(slots=True)
class TrayLamp:
    """A lamp over a tray. `hours` grow while it is lit; `life_h` is when 37 % of its light is left (ours).

    `noise` is the standard deviation of the logarithm of its strength from one exposure to the next.
    """

    tubes: tuple[HungTube, ...]
    mirror: Mirror | None = None
    hours: float = 0.0
    life_h: float = 50_000.0
    dirt: float = 1.0
    warm_up_loss: float = 0.4
    warm_up_s: float = 45.0
    noise: float = 0.0
    seed: int = 0
    _chance: Random = field(init=False, repr=False)

    def __post_init__(self) -> None:
        self._chance = Random(self.seed)

    def new_irradiance_mw_per_cm2(self, along_m: float, sideways_m: float) -> float:
        """Return what new, warm and clean tubes give at a place of the tray, the mirror's part included."""
        total = 0.0
        for hung in self.tubes:
            x, y = along_m - hung.along_m, sideways_m - hung.sideways_m
            total += irradiance_mw_per_cm2(hung.tube, Position(hung.height_m, x, y))
            if self.mirror is not None:
                behind = 2 * self.mirror.height_m - hung.height_m
                image = irradiance_mw_per_cm2(hung.tube, Position(behind, x, y))
                total += self.mirror.reflectance * image
        return total

    @property
    def strength(self) -> float:
        """What is left of that by age and dirt on the lamp."""
        return exp(-self.hours / self.life_h) * self.dirt

    def light_s(self, lit_s: float, *, cold: bool = True) -> float:
        """Light the lamp for `lit_s` seconds; return how many seconds of its new strength that was worth."""
        warm = Lamp(warm_up_loss=self.warm_up_loss, warm_up_s=self.warm_up_s)
        full_s = warm.warm_seconds(lit_s) if cold else lit_s
        worth_s = full_s * self.strength * exp(self._chance.gauss(0.0, self.noise))
        self.hours += lit_s / 3600
        return worth_s


@dataclass(slots=True)
class OnTray:
    """A chip on the tray: where, and what the dirt on its window lets through (1 is clean)."""

    chip: Chip
    along_m: float = 0.0
    sideways_m: float = 0.0
    window: float = 1.0


class VirtualTray:
    """Chips under a lamp."""

    def __init__(self, lamp: TrayLamp, chips: Sequence[OnTray] = ()) -> None:
        self.lamp = lamp
        self.chips = list(chips)

    def expose(self, lit_s: float, *, cold: bool = True) -> list[float]:
        """Light all chips for `lit_s` seconds; return the dose that reached each window's die, J/cm²."""
        if lit_s < 0:
            raise ValueError("a lamp is not lit for negative time")
        full_s = self.lamp.light_s(lit_s, cold=cold)
        doses = []
        for each in self.chips:
            here = self.lamp.new_irradiance_mw_per_cm2(each.along_m, each.sideways_m)
            dose = here / 1000 * WINDOW_TRANSMISSION * each.window * full_s if each.chip.has_window else 0.0
            each.chip.expose(dose)
            doses.append(dose)
        return doses

    def clean(self) -> None:
        """Clean the lamp and all windows."""
        self.lamp.dirt = 1.0
        self.chips = [replace(each, window=1.0) for each in self.chips]
