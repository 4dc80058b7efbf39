"""A lamp as a whole: its tubes and their places, its height over the tray, its reflector and its age."""

from dataclasses import dataclass, field, replace

from daemon.erasure.ageing import WarmUp
from daemon.erasure.checks import within
from daemon.erasure.tube import Tube, irradiance_mw_per_cm2
from daemon.errors import BenchError, Code

TUBES_MAX = 8


@dataclass(frozen=True, slots=True)
class PlacedTube:
    """A tube over the tray, lying along it.

    `along_mm` and `across_mm` place its middle from the middle of the tray (up to 1000 either way);
    `raised_mm` is how much higher its glass is than that of the lowest tube (0 to 500).
    """

    tube: Tube
    along_mm: float = 0.0
    across_mm: float = 0.0
    raised_mm: float = 0.0

    def __post_init__(self) -> None:
        within("along_mm", self.along_mm, -1000, 1000, "mm")
        within("across_mm", self.across_mm, -1000, 1000, "mm")
        within("raised_mm", self.raised_mm, 0, 500, "mm")


@dataclass(frozen=True, slots=True)
class Lamp:
    """One or more parallel tubes over a tray.

    `distance_mm` is from the glass of the lowest tube down to the windows of the chips (0.5 to 2000).
    `reflector` is by how much a reflector raises the light on the tray (0.5 to 4; 1: none, or not known);
    `hours` are lit hours of the tubes, None if not known. BenchError `erase-estimate-input` for figures out
    of range.
    """

    name: str
    tubes: tuple[PlacedTube, ...]
    distance_mm: float
    reflector: float = 1.0
    hours: float | None = None
    warm_up: WarmUp = field(default_factory=WarmUp)

    def __post_init__(self) -> None:
        within("tubes", len(self.tubes), 1, TUBES_MAX, "tubes")
        within("distance_mm", self.distance_mm, 0.5, 2000, "mm")
        within("reflector", self.reflector, 0.5, 4, "times the bare light")
        if self.hours is not None:
            within("hours", self.hours, 0, 100_000, "h")
        if min(each.raised_mm for each in self.tubes) > 0:
            raise BenchError(
                Code.ERASE_ESTIMATE_INPUT,
                "no tube has raised_mm 0, but the distance is that of the lowest tube",
                hint="Give the lowest tube raised_mm 0, and the others what they stand above it.",
                field="raised_mm",
            )

    @classmethod
    def of_one(cls, tube: Tube, distance_mm: float) -> "Lamp":
        """Make the lamp of one bare tube over the middle of the tray."""
        return cls(tube.name, (PlacedTube(tube),), distance_mm)

    def after(self, hours: float) -> "Lamp":
        """Return the same lamp with other lit hours."""
        return replace(self, hours=hours)

    def new_irradiance_mw_per_cm2(self, along_mm: float, across_mm: float) -> float:
        """Return what the tubes give together at a place of the tray when new, warm and clean.

        The closed form of `daemon.erasure.tube` for each tube, added up, times the reflector's factor.
        """
        return self.reflector * sum(
            irradiance_mw_per_cm2(
                each.tube.uvc_w,
                each.tube.arc_length_mm,
                self.distance_mm + each.raised_mm + each.tube.radius_mm,
                along_mm - each.along_mm,
                across_mm - each.across_mm,
            )
            for each in self.tubes
        )

    def bare_irradiance_mw_per_cm2(self, distance_mm: float) -> float:
        """Return what all tubes give at one distance from their axes, as somebody who leans over it gets."""
        return self.reflector * sum(
            irradiance_mw_per_cm2(each.tube.uvc_w, each.tube.arc_length_mm, distance_mm)
            for each in self.tubes
        )

    @property
    def tolerance(self) -> float:
        """The worst tolerance of its tubes: those of one make are off the same way."""
        return max(each.tube.tolerance for each in self.tubes)
