"""The question which parts can stand in a place that was made for another, as users ask it."""

from dataclasses import dataclass
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from daemon.adapters.files import Adapters
from daemon.adapters.routes import routes_for
from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.catalogue.substitution.judge import stand_ins
from daemon.catalogue.substitution.nets import Carries, Net, net
from daemon.catalogue.substitution.position import Position, position_for
from daemon.catalogue.substitution.verdict import StandIn
from daemon.errors import BenchError, Code

Pin = Annotated[int, Field(ge=1, le=100)]
Word = Annotated[str, Field(min_length=1, max_length=20)]
Name = Annotated[str, Field(min_length=1, max_length=100)]


class StandInRequest(BaseModel):
    """What is known of the place beyond the part that it was made for, and which parts to judge."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    access_ns: float | None = Field(
        None,
        gt=0,
        le=100_000,
        allow_inf_nan=False,
        description="How long the board waits for data, nanoseconds; left out: speed is not judged.",
    )
    vcc_v: float | None = Field(
        None,
        gt=0,
        le=10,
        allow_inf_nan=False,
        description="The board's supply, volts; left out: that of the part it was made for.",
    )
    nets: dict[Pin, Word] = Field(
        {},
        description="What the board has on a pin, where that is known: `A14`, `D3`, `/CE`, `CE`, `/OE`,"
        " `/WE`, `VCC`, `GND`, `high`, `low`, `either` or `open`, by pin number.",
    )
    byte_mode: bool = Field(False, description="Whether the board reads a 16-bit part by bytes.")
    words: int | None = Field(
        None, ge=256, le=1 << 26, description="How many words the board reads; left out: the whole part."
    )
    candidates: tuple[Name, ...] | None = Field(
        None,
        max_length=100,
        description="Judge only these: ids, names or families; left out: the whole catalogue.",
    )


@dataclass(frozen=True, slots=True)
class StandInAnswer:
    """The part that the place was made for, the place as it was judged, and how each part does in it."""

    made_for: Part
    position: Position
    found: tuple[StandIn, ...]


def find_stand_ins(
    name: str, request: StandInRequest, catalogue: Catalogue, adapters: Adapters
) -> StandInAnswer:
    """Judge the catalogue, or the candidates named, in the place of the part that is called `name`.

    A family's name will do where all of its members have the same pins and size. Raises BenchError:
    `part-unknown`, `part-ambiguous`, `request-invalid` with the field.
    """
    made_for = _made_for(name, catalogue)
    position = _position(made_for, request)
    parts = list(catalogue)
    if request.candidates is not None:
        named = [part for each in request.candidates for part in _named(each, catalogue)]
        parts = list({part.id: part for part in named}.values())
    return StandInAnswer(made_for, position, stand_ins(position, parts, routes_for(parts, adapters)))


def _made_for(name: str, catalogue: Catalogue) -> Part:
    parts = _named(name, catalogue)
    if len({(part.pins, part.words, part.width_bits) for part in parts}) > 1:
        catalogue.get(name)  # raises, with the choices
    return parts[0]


def _named(name: str, catalogue: Catalogue) -> list[Part]:
    """Return the parts that a name stands for; a family's name stands for all of its members."""
    try:
        return [catalogue.get(name)]
    except BenchError as error:
        if error.code is not Code.PART_AMBIGUOUS:
            raise
        return [catalogue.get(choice) for choice in error.details["choices"]]


def _position(part: Part, request: StandInRequest) -> Position:
    if request.byte_mode and not part.has_byte_mode:
        raise _refusal("byte_mode", f"{part.name} has no byte mode", "Leave it out for this part.")
    whole = part.size_bytes if request.byte_mode else part.words
    if request.words is not None and request.words > whole:
        raise _refusal(
            "words",
            f"{part.name} has {whole:,} words there; a board cannot read {request.words:,}",
            f"256 to {whole:,} is accepted.",
        )
    width = 8 if request.byte_mode else part.width_bits
    return position_for(
        part,
        byte_mode=request.byte_mode,
        words=request.words,
        access_ns=request.access_ns,
        vcc_v=request.vcc_v,
        nets={pin: _net(part, pin, text, width) for pin, text in request.nets.items()},
    )


def _net(part: Part, pin: int, text: str, width_bits: int) -> Net:
    field = f"nets.{pin}"
    if pin > len(part.pins):
        raise _refusal(field, f"{part.name} has no pin {pin}", f"It has pins 1 to {len(part.pins)}.")
    try:
        found = net(text)
    except ValueError as error:
        raise _refusal(field, str(error), "Write what the board has on that pin.") from None
    if found.carries is Carries.DATA and (found.line or 0) >= width_bits:
        raise _refusal(field, f"{text} is no data line of that place", f"It has D0 to D{width_bits - 1}.")
    return found


def _refusal(field: str, message: str, hint: str) -> BenchError:
    return BenchError(Code.REQUEST_INVALID, message, hint=hint, field=field)
