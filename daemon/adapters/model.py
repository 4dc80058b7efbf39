"""An adapter: what takes a chip of one package and stands in a socket as another.

It is described by the way each chip pin goes: to a plug pin, to a supply on the adapter itself, to a switch
that sets an address line by hand, or nowhere.
"""

from collections.abc import Iterator, Mapping
from enum import StrEnum
from typing import Annotated, Self

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from daemon.catalogue.checks import printed_pins
from daemon.catalogue.faults import Fault
from daemon.catalogue.model import PackageName
from daemon.catalogue.records import Record, Text, Volts


class Orientation(StrEnum):
    """Where the chip's pin 1 (its notch or dot) points when the end of the plug with pin 1 points up."""

    UP = "pin-1-up"
    DOWN = "pin-1-down"
    LEFT = "pin-1-left"
    RIGHT = "pin-1-right"


class Tie(StrEnum):
    """A supply that the adapter itself connects a chip pin to."""

    VCC = "vcc"
    GROUND = "ground"


class Limits(Record):
    """What the adapter stands or spoils."""

    vpp_max_v: Volts | None = None
    """Highest voltage that a pin of it may get; a part that needs more can only be read through it."""
    access_adds_ns: Annotated[float, Field(strict=True, ge=0, le=1000)] = 0
    """What its wires or buffers add to the access time."""
    read_only: Annotated[bool, Field(strict=True)] = False
    """True where buffers or diodes pass the data one way."""


PinNumber = Annotated[int, Field(ge=1, le=100)]
PlugPin = Annotated[int, Field(strict=True, ge=0, le=100)]


class Adapter(Record):
    """One adapter. Raises pydantic's `ValidationError` when its pins contradict each other."""

    id: Annotated[str, Field(strict=True, max_length=60, pattern=r"^[a-z0-9]+([.-][a-z0-9]+)*$")]
    name: Text
    package: PackageName
    """The package that it takes."""
    plug: PackageName
    """The package that it stands in a socket or on a board as."""
    made_for: Annotated[tuple[Text, ...], Field(max_length=40)] = ()
    """Names of the pinouts that it is for; none for an adapter that takes any part in that package."""
    orientation: Orientation
    pins: Annotated[tuple[PlugPin, ...], Field(min_length=1, max_length=100)]
    """For each chip pin, pin 1 first, the plug pin that it goes to; 0 for none."""
    tied: Mapping[PinNumber, Tie] = {}
    """Chip pins that the adapter connects to a supply."""
    switched: Annotated[tuple[PinNumber, ...], Field(max_length=4)] = ()
    """Chip pins that a switch or jumper holds low or high: address lines that the socket has no pin for, the
    lowest line first."""
    limits: Limits = Limits()
    notes: Annotated[tuple[Text, ...], Field(max_length=10)] = ()
    """Cautions, as sentences for the user."""

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        faults = tuple(_faults_of(self))
        if faults:
            first = f"{faults[0].key}: {faults[0].reason}"
            raise PydanticCustomError("adapter", "{first}", {"first": first, "faults": faults})
        return self

    @property
    def plug_pins(self) -> Mapping[int, int]:
        """Chip pin -> plug pin, for the pins that go to one."""
        return {pin: plug for pin, plug in enumerate(self.pins, 1) if plug}

    @property
    def placing(self) -> str:
        """How the chip goes in, as a sentence."""
        return f"Put the {self.package} in with its pin 1 {_POINTS[self.orientation]}."


_POINTS = {
    Orientation.UP: "at the end where pin 1 of the plug is",
    Orientation.DOWN: "at the end away from pin 1 of the plug",
    Orientation.LEFT: "to the left, seen with pin 1 of the plug at the top",
    Orientation.RIGHT: "to the right, seen with pin 1 of the plug at the top",
}


def _faults_of(adapter: Adapter) -> Iterator[Fault]:
    chip, plug = printed_pins(adapter.package), printed_pins(adapter.plug)
    if len(adapter.pins) != chip:
        yield Fault("pins", f"{len(adapter.pins)} pins are listed but the {adapter.package} has {chip}")
        return
    taken: dict[int, int] = {}
    for pin, goes_to in adapter.plug_pins.items():
        if goes_to > plug:
            yield Fault("pins", f"pin {pin} goes to plug pin {goes_to}; the {adapter.plug} has {plug}")
        elif goes_to in taken:
            yield Fault("pins", f"pins {taken[goes_to]} and {pin} both go to plug pin {goes_to}")
        taken.setdefault(goes_to, pin)
    held = [("tied", pin) for pin in adapter.tied] + [("switched", pin) for pin in adapter.switched]
    seen: set[int] = set()
    for key, pin in held:
        if pin > chip:
            yield Fault(key, f"there is no pin {pin} on a {adapter.package}")
        elif adapter.pins[pin - 1]:
            reason = f"pin {pin} goes to plug pin {adapter.pins[pin - 1]} as well; write 0 for it in pins"
            yield Fault(key, reason)
        elif pin in seen:
            yield Fault(key, f"pin {pin} is named twice among the tied and switched pins")
        seen.add(pin)
