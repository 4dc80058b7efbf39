"""A board: its positions, which part goes in each, and which content. The recipe as a user writes it."""

from enum import StrEnum
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from daemon.catalogue.substitution.nets import net
from daemon.images.steps import Steps
from daemon.images.values import Address, Number, Offset, Size

Text = Annotated[str, Field(strict=True, min_length=1, max_length=300)]
Name = Annotated[str, Field(strict=True, pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,39}$")]
Nanoseconds = Annotated[float, Field(gt=0, le=1e5, allow_inf_nan=False)]
Volts = Annotated[float, Field(gt=0, le=10, allow_inf_nan=False)]


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


class Effort(StrEnum):
    """How much may have to be done to a part or a board, least first."""

    READY = "ready"
    CHECK = "check"
    """The board must be looked at first."""
    REWORK = "rework"
    """Pins are lifted and tied."""
    ADAPTER = "adapter"


class Region(_Table):
    """A stretch of a file that no chip needs, and why."""

    start_bytes: Offset
    length_bytes: Size
    why: Text = "not needed"


class Source(_Table):
    """Content that positions take from: a file, or another source after some steps.

    `file` is the name under which people know the file. Its bytes are counted from `base_address` where its
    format has addresses. `unused` says which of its bytes go nowhere: "rest", or regions.
    """

    file: Text | None = None
    from_: Annotated[Name | None, Field(alias="from")] = None
    base_address: Address = 0
    size_bytes: Size | None = None
    unused: Literal["rest"] | Annotated[tuple[Region, ...], Field(max_length=64)] = ()
    steps: Steps = ()

    @model_validator(mode="after")
    def _one_origin(self) -> Self:
        if (self.file is None) == (self.from_ is None):
            raise _fault("file", "needs file or from, one of the two")
        if self.from_ is not None:
            for key, empty in (("size_bytes", None), ("base_address", 0), ("unused", ())):
                if getattr(self, key) != empty:
                    raise _fault(key, "belongs to the source that names the file")
        return self


class Accepted(_Table):
    """A part, or a pattern of names with `*`, that may go in a position."""

    part: Text
    note: Text | None = None


def _accepted(value: object) -> object:
    return {"part": value} if isinstance(value, str) else value


def _pin_table(value: object) -> object:
    """TOML keys are text; pins are numbers."""
    if isinstance(value, dict):
        return {int(key) if isinstance(key, str) and key.isdecimal() else key: v for key, v in value.items()}
    return value


def _net_word(value: str) -> str:
    try:
        net(value)
    except ValueError as error:
        raise PydanticCustomError("step", "{message}", {"message": str(error)}) from None
    return value


PinNumber = Annotated[Number, Field(strict=True, ge=1, le=100)]


class Position(_Table):
    """One socket or footprint of the board.

    `made_for` is the part that the board was designed around: its pins say what the board has on each, unless
    `pins` knows better (pin number -> a net: "A15", "D3", "VCC", "GND", "high", "low", "open").
    `size_bytes` and `width_bits` are what the board reads there if that is not the whole part; `access_ns` is
    the longest time that the chip may take. The supply is `vcc_v`, give or take `vcc_tolerance_v` (5 % if
    left out).

    `parts` are those that may go in, best first; left out, any that the catalogue finds to fit. `effort` is
    how much may have to be done for one. `shares_with` names positions that may hold the same file bytes.
    """

    label: Name
    title: Text | None = None
    made_for: Text
    parts: Annotated[tuple[Annotated[Accepted, BeforeValidator(_accepted)], ...], Field(max_length=64)] = ()
    effort: Effort = Effort.CHECK
    size_bytes: Size | None = None
    width_bits: Literal[8, 16] | None = None
    access_ns: Nanoseconds
    vcc_v: Volts = 5.0
    vcc_tolerance_v: Annotated[float, Field(ge=0, le=2, allow_inf_nan=False)] | None = None
    pins: Annotated[
        dict[PinNumber, Annotated[str, AfterValidator(_net_word)]], BeforeValidator(_pin_table)
    ] = {}
    source: Name
    steps: Steps = ()
    shares_with: tuple[Name, ...] = ()

    @model_validator(mode="after")
    def _whole_lines(self) -> Self:
        size = self.size_bytes
        if size is not None and (size < 4 or size & (size - 1)):
            raise _fault("size_bytes", f"is {size:,}; address lines make a power of two, 4 or more")
        return self


class Board(_Table):
    """A product: its positions and the files that go in them."""

    name: Text
    notes: Annotated[tuple[Text, ...], Field(max_length=20)] = ()
    sources: Annotated[dict[Name, Source], Field(min_length=1, max_length=32)]
    positions: Annotated[tuple[Position, ...], Field(min_length=1, max_length=64)]

    @property
    def files(self) -> dict[str, Source]:
        """The sources that are files, by name."""
        return {name: source for name, source in self.sources.items() if source.file is not None}

    def position(self, label: str) -> Position:
        """Return the position with this label; raises LookupError."""
        for position in self.positions:
            if position.label == label:
                return position
        raise LookupError(f"{self.name} has no position {label}")


def _fault(field: str, message: str) -> PydanticCustomError:
    return PydanticCustomError("step", "{message}", {"message": message, "at": field})
