"""What goes into an estimate: the light, the losses, and the spreads assumed for what nobody stated."""

from dataclasses import dataclass

from daemon.erasure.checks import within
from daemon.erasure.tube import Confidence, Tube, irradiance_mw_per_cm2


@dataclass(frozen=True, slots=True)
class Spread:
    """A quantity with its lowest, most likely and highest value."""

    low: float
    nominal: float
    high: float

    @classmethod
    def exactly(cls, value: float) -> "Spread":
        """Make the spread of a value that is taken as it stands."""
        return cls(value, value, value)

    @classmethod
    def about_one(cls, share: float) -> "Spread":
        """Make the spread of a factor that may be off by a share either way."""
        return cls(1 - share, 1.0, 1 + share)


@dataclass(frozen=True, slots=True)
class EstimateInput:
    """One number of an estimate: `unit` is "" for a plain factor, `origin` says in words where it is from."""

    name: str
    value: Spread
    unit: str
    origin: str
    confidence: Confidence


@dataclass(frozen=True, slots=True)
class LampPlace:
    """A chip near a lamp.

    `distance_mm` is from the lamp's glass down to the chip's window (0.5 to 2000), `along_mm` from the lamp's
    middle along it and `across_mm` sideways (each up to 2000 either way). BenchError `erase-estimate-input`
    for a figure out of range.
    """

    tube: Tube
    distance_mm: float
    along_mm: float = 0.0
    across_mm: float = 0.0

    def __post_init__(self) -> None:
        within("distance_mm", self.distance_mm, 0.5, 2000, "mm")
        within("along_mm", self.along_mm, -2000, 2000, "mm")
        within("across_mm", self.across_mm, -2000, 2000, "mm")

    @property
    def height_mm(self) -> float:
        """From the window up to the level of the lamp's axis."""
        return self.distance_mm + self.tube.radius_mm

    @property
    def new_irradiance_mw_per_cm2(self) -> float:
        """What the lamp gives here when new, warm and clean."""
        tube = self.tube
        return irradiance_mw_per_cm2(
            tube.uvc_w, tube.arc_length_mm, self.height_mm, self.along_mm, self.across_mm
        )


@dataclass(frozen=True, slots=True)
class StatedIrradiance:
    """A known irradiance at the chip's window, in mW/cm² (0.001 to 1000).

    `measured_now` says that it was read with the lamp as it is, so that its age is in it; otherwise it is
    taken for a new lamp's figure. `tolerance` is the share by which it may be off either way (0 to 0.9).
    """

    irradiance_mw_per_cm2: float
    measured_now: bool
    tolerance: float = 0.15

    def __post_init__(self) -> None:
        within("irradiance_mw_per_cm2", self.irradiance_mw_per_cm2, 0.001, 1000, "mW/cm²")
        within("tolerance", self.tolerance, 0, 0.9, "of the reading")


@dataclass(frozen=True, slots=True)
class Losses:
    """What the user knows about losses; what is None is taken from the spreads below.

    `age` is the lamp's output against new, `dirt` what the dirt on lamp and window lets through (each 0.05 to
    1); `warm_up_s` is the time lost by a cold start (0 to 600).
    """

    age: float | None = None
    dirt: float | None = None
    warm_up_s: float | None = None

    def __post_init__(self) -> None:
        for name, value in (("age", self.age), ("dirt", self.dirt)):
            if value is not None:
                within(name, value, 0.05, 1, "of full")
        if self.warm_up_s is not None:
            within("warm_up_s", self.warm_up_s, 0, 600, "s")


@dataclass(frozen=True, slots=True)
class MakerWords:
    """The minutes that a data sheet prints (0.1 to 10,000), and for what irradiance, if it says so."""

    low_min: float
    high_min: float
    irradiance_mw_per_cm2: float | None = None

    def __post_init__(self) -> None:
        within("low_min", self.low_min, 0.1, 10_000, "min")
        within("high_min", self.high_min, self.low_min, 10_000, "min")
        if self.irradiance_mw_per_cm2 is not None:
            within("irradiance_mw_per_cm2", self.irradiance_mw_per_cm2, 0.001, 1000, "mW/cm²")


AGE = EstimateInput(
    "age of the lamp",
    Spread(0.65, 0.85, 1.0),
    "",
    "output against new: 1 when new, at least 0.85 after 2000 h and 0.65 at the end of life in GB 19258-2012",
    Confidence.PUBLISHED,
)
WINDOW = EstimateInput(
    "window of the chip",
    Spread(0.92, 0.92, 1.0),
    "",
    "two faces of fused silica pass 0.92 (Fresnel, index 1.506); 1 if the data sheet means its dose before"
    " the window",
    Confidence.ASSUMED,
)
DIRT = EstimateInput(
    "dirt on lamp and window",
    Spread(0.8, 1.0, 1.0),
    "",
    "assumed clean, at worst a fifth lost; no published figure is known",
    Confidence.ASSUMED,
)
WARM_UP = EstimateInput(
    "warm-up of the lamp",
    Spread(0.0, 18.0, 60.0),
    "s",
    "time lost by a cold start: none if warm; 18 s from an assumed 40 % deficit that fades with 45 s",
    Confidence.ASSUMED,
)
FORMULA = EstimateInput(
    "accuracy of the lamp formula",
    Spread(0.95, 1.0, 1.07),
    "",
    "published estimate 3 to 5 %; an evenly bright cylinder gives up to 7 % more",
    Confidence.PUBLISHED,
)


def stated_or(assumed: EstimateInput, stated: float | None) -> EstimateInput:
    """Take what the user stated, or else the assumption."""
    if stated is None:
        return assumed
    return EstimateInput(assumed.name, Spread.exactly(stated), assumed.unit, "as given", Confidence.STATED)
