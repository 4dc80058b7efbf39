"""What a front end asks about UV erasing, and the way to the estimate."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from daemon.catalogue.model import Part
from daemon.catalogue.terms import EraseMethod
from daemon.erasure.estimate import EraseEstimate, estimate_erase
from daemon.erasure.inputs import LampPlace, Losses, StatedIrradiance
from daemon.erasure.light import TrayPlace
from daemon.erasure.tube import TUBES, Tube
from daemon.errors import BenchError, Code
from daemon.jobs.light_so_far import LightReading

Share = Annotated[float, Field(ge=0.05, le=1, allow_inf_nan=False)]


class EraseRequest(BaseModel):
    """A part, and either a lamp with a distance or a known irradiance at the chip's window."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    part: str = Field(min_length=1, max_length=100, description="Part id, name or alias.")
    lamp: str | None = Field(
        None, max_length=64, description="A tube by preset, such as 8w-t5, or a lamp of this bench by name."
    )
    uvc_w: float | None = Field(None, gt=0, le=1000, description="UV-C output of your own tube, W.")
    arc_length_mm: float | None = Field(None, gt=0, le=3000, description="Arc length of your own tube, mm.")
    radius_mm: float = Field(8.0, gt=0, le=100, description="Radius of your own tube's glass; T5: 8 mm.")
    distance_mm: float = Field(25.0, gt=0, le=2000, description="From the lamp's glass to the chip's window.")
    along_mm: float = Field(0.0, ge=-2000, le=2000, description="Place along the lamp, from its middle.")
    across_mm: float = Field(0.0, ge=-2000, le=2000, description="Place beside the lamp.")
    irradiance_mw_per_cm2: float | None = Field(
        None, gt=0, le=1000, description="Irradiance at the window, instead of a lamp."
    )
    measured_now: bool = Field(True, description="Whether that was read with the lamp as it is today.")
    age: Share | None = Field(None, description="The lamp's output against new, 0.05 to 1.")
    dirt: Share | None = Field(None, description="What dirt on lamp and window lets through, 0.05 to 1.")


def estimate_for(part: Part, request: EraseRequest, place: TrayPlace | None = None) -> EraseEstimate:
    """Estimate for a part, at `place` under a lamp of this bench if the request names one.

    Raises BenchError: `part-cannot`, `erase-estimate-input`.
    """
    if part.erase.method is not EraseMethod.UV:
        raise BenchError(
            Code.PART_CANNOT,
            f"{part.name} is not erased by UV light",
            hint="It is erased by an erase job."
            if part.erase.method is EraseMethod.ELECTRICAL
            else "It cannot be erased, or need not be: writing replaces what is there.",
            field="part",
        )
    if part.erase.dose_j_per_cm2 is None:
        raise BenchError(
            Code.ERASE_ESTIMATE_INPUT,
            f"the dose that {part.name} needs is not known",
            hint="Look for it in the maker's sheet and add it to the part's file in your parts folder.",
            field="part",
        )
    losses = Losses(age=request.age, dirt=request.dirt)
    return estimate_erase(part.erase.dose_j_per_cm2, place or _light(request), losses=losses)


def _light(request: EraseRequest) -> LampPlace | StatedIrradiance:
    if request.irradiance_mw_per_cm2 is not None:
        return StatedIrradiance(request.irradiance_mw_per_cm2, request.measured_now)
    return LampPlace(_lamp(request), request.distance_mm, request.along_mm, request.across_mm)


def _lamp(request: EraseRequest) -> Tube:
    if request.uvc_w is not None and request.arc_length_mm is not None:
        return Tube("own tube", request.uvc_w, request.arc_length_mm, request.radius_mm)
    name = request.lamp or "4w-t5"
    if name in TUBES:
        return TUBES[name]
    raise BenchError(
        Code.ERASE_ESTIMATE_INPUT,
        f"there is no lamp '{name}'",
        hint=f"Choose {', '.join(TUBES)}, or give uvc_w and arc_length_mm of your own tube.",
        field="lamp",
    )


class ReadingsRequest(BaseModel):
    """Counts of one chip, and how it lies."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    part: str = Field(min_length=1, max_length=100, description="Part id, name or alias.")
    bits_at_start: int = Field(ge=1, le=1 << 30, description="Bits that were programmed before any light.")
    readings: tuple[LightReading, ...] = Field(max_length=100, description="The counts, in order.")
    lies: EraseRequest | None = Field(
        None, description="Under which light it lies, for the data sheet's rule; its part is not looked at."
    )
    cold: bool = Field(True, description="Whether the lamp will start cold.")
