"""What a front end says about an exposure."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

Seconds = Annotated[float, Field(ge=0, le=1_000_000, allow_inf_nan=False)]
Place = Annotated[int, Field(ge=1, le=500)]
Name = Annotated[str, Field(min_length=1, max_length=100)]


class _Given(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class ChipsWanted(_Given):
    """Chips of one kind that go on the tray."""

    part: Name = Field(description="Part id, name or alias.")
    chips: int = Field(1, ge=1, le=500, description="How many.")
    lot: Name | None = Field(None, description="The lot they are from, if it has a name.")
    numbers: tuple[Name, ...] = Field((), max_length=500, description="Numbers of those that have one.")

    @model_validator(mode="after")
    def _agrees(self) -> "ChipsWanted":
        if len(self.numbers) > self.chips:
            raise PydanticCustomError("chips", "numbers: more numbers than chips")
        return self


class Prepared(_Given):
    """What has to be done before light falls on a chip, by somebody who has looked."""

    contents_stored: bool = Field(
        default=False, description="What the chips hold is stored, or nobody wants it."
    )
    labels_off: bool = Field(default=False, description="Labels and their glue are off the windows.")
    solvent_dry: bool = Field(
        default=False, description="The solvent has dried: its vapour near a lamp burns."
    )

    def or_also(self, other: "Prepared") -> "Prepared":
        """Return what was said in either."""
        both = {name: value or getattr(other, name) for name, value in self.model_dump().items()}
        return Prepared.model_validate(both)

    @property
    def missing(self) -> tuple[str, ...]:
        """What has not been said to be done, in words."""
        words = {
            "contents_stored": "the contents are stored",
            "labels_off": "labels and glue are off the windows",
            "solvent_dry": "the solvent has dried",
        }
        return tuple(text for name, text in words.items() if not getattr(self, name))


class NewExposure(_Given):
    """A tray to expose."""

    lamp: Name = Field(description="A lamp of this bench, by name or id.")
    chips: tuple[ChipsWanted, ...] = Field(min_length=1, max_length=50, description="What goes on the tray.")
    prepared: Prepared = Field(Prepared(), description="What is done; may be said later too.")


class TrayWish(_Given):
    """A tray to plan for, with nothing recorded."""

    lamp: Name = Field(description="A lamp of this bench, by name or id.")
    chips: tuple[ChipsWanted, ...] = Field(min_length=1, max_length=50, description="What goes on the tray.")


class LampOn(_Given):
    """The lamp has been switched on by hand, its box shut."""

    cold: bool | None = Field(
        None, description="Whether it began cold; left out: cold unless it was off for less than a minute."
    )
    prepared: Prepared | None = Field(None, description="What has been done since the tray was planned.")


class LampOff(_Given):
    """The lamp is off."""

    lit_s: Seconds | None = Field(
        None, description="How long it was lit, if you know better (a timer switched it off)."
    )


class TimeAnswer(_Given):
    """How long the lamp was on while the daemon was not there: one of the two."""

    lit_s: Seconds | None = Field(None, description="It is off now, and was lit for so long.")
    still_lit: bool = Field(False, description="It was on all the time and still is.")

    @model_validator(mode="after")
    def _is_one(self) -> "TimeAnswer":
        if (self.lit_s is None) != self.still_lit:
            raise PydanticCustomError("time", "lit_s: say how long it was lit, or still_lit")
        return self


class NewReading(_Given):
    """A count of bits of one chip: by an erase check that ran on it, or as typed."""

    place: Place = Field(description="The chip's place on the tray, from 1.")
    job: str | None = Field(None, max_length=100, description="An erase-check job on this chip.")
    bits_left: int | None = Field(None, ge=0, le=1 << 30, description="Bits that read programmed.")
    vcc_v: float = Field(5.0, ge=1, le=10, allow_inf_nan=False, description="At which supply.")
    reads: int = Field(1, ge=1, le=1000, description="Of how many reads it is the median.")
    bits_at_start: int | None = Field(
        None, ge=1, le=1 << 30, description="Bits that were programmed before any light, if not counted here."
    )

    @model_validator(mode="after")
    def _is_one(self) -> "NewReading":
        if (self.job is None) == (self.bits_left is None):
            raise PydanticCustomError("reading", "job: name an erase-check job, or give bits_left")
        return self


class ChipsMoved(_Given):
    """Chips taken out of, or put back on, the tray."""

    places: tuple[Place, ...] = Field(min_length=1, max_length=500, description="Their places, from 1.")


class NewTrayCheck(_Given):
    """That the chips of a tray are to be checked one after another."""

    programmer: str | None = Field(
        None, max_length=200, description="Programmer id or name; may be left out while only one is there."
    )
    adapter: str | None = Field(
        None, max_length=100, description="Adapter that the chips sit on; left out: directly in the socket."
    )
    places: tuple[Place, ...] | None = Field(
        None,
        min_length=1,
        max_length=500,
        description="Which; left out: before any light the sentinels, later all chips on the tray, and while"
        " the lamp is lit those that were taken out.",
    )


class CheckGoesOn(_Given):
    """That a check which stands still is to go on."""

    skip: tuple[Place, ...] = Field((), max_length=500, description="Places not to look at after all.")
    again: tuple[Place, ...] = Field((), max_length=500, description="Places to look at once more.")


class NewLot(_Given):
    """Chips of one part that go together."""

    name: str = Field(min_length=1, max_length=64, description="What you call the lot.")
    part: Name = Field(description="Part id, name or alias.")
    chips: int = Field(1, ge=1, le=100_000, description="How many there are.")
    note: str = Field("", max_length=500, pattern=r"^[^\x00-\x1f\x7f]*$", description="Anything to remember.")


class NewChip(_Given):
    """One chip with a number of its own, painted on its underside: labels come off before erasing."""

    number: str = Field(min_length=1, max_length=64, description="The number on it.")
    part: Name = Field(description="Part id, name or alias.")
    lot: Name | None = Field(None, description="The lot it belongs to.")
