"""A part: one chip type, with everything the bench must know to read, write, check and erase it.

Values come from data sheets; `src` says which sheet gave which value. Beyond the types, `checks` refuses a
part that contradicts itself or its own absolute maximum ratings, so a `Part` is safe to build on.
"""

from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from daemon.catalogue import checks, pins
from daemon.catalogue.records import Erase as Erase
from daemon.catalogue.records import Positive, Record, Text
from daemon.catalogue.records import Sectors as Sectors
from daemon.catalogue.records import Signature as Signature
from daemon.catalogue.records import Step as Step
from daemon.catalogue.records import Supplies as Supplies
from daemon.catalogue.records import Write as Write
from daemon.catalogue.terms import Confidence, Kind, Level, Mode, Unused

MEMORY = "memory"
COMPUTED = "computed"
DEFAULT_SOURCE = "default"
"""The key of `src` that speaks for every value not named there."""

_DESCRIPTIVE = frozenset({"id", "name", "aliases", "kind", "pinout", "datasheet", "notes", "src"})
_PROGRAMMING = (
    "supplies.vpp_program_v",
    "write.pulse_us",
    "write.write_cycle_us_max",
    "supplies.erase_v",
    "erase.pulse_ms",
    "signature.maker",
    "signature.device",
)
_DATA_MODES = frozenset({Mode.READ, Mode.VERIFY, Mode.SIGNATURE, Mode.PROGRAM, Mode.WRITE, Mode.ERASE})


PackageName = Annotated[str, Field(strict=True, pattern=r"^[A-Z]{2,6}\d{1,3}$")]
"""Kind of package and number of pins: DIP28, PLCC32, SOP32."""
PinNames = Annotated[tuple[Text, ...], Field(max_length=100)]
"""Pin names, pin 1 first."""


class Part(Record):
    """One chip type. Raises pydantic's `ValidationError` when its values contradict each other."""

    id: Annotated[str, Field(strict=True, max_length=60, pattern=r"^[a-z0-9]+([.-][a-z0-9]+)*$")]
    name: Text
    maker: Text
    aliases: tuple[Text, ...] = ()
    """Other names, such as the family's generic number; several parts may share one."""
    kind: Kind
    package: PackageName
    pinout: Text | None = None
    pins: PinNames
    also_in: Annotated[Mapping[PackageName, PinNames], Field(max_length=10)] = {}
    """Other packages that the same chip is sold in, and their pins; see `in_package`."""
    unused_pins: Mapping[str, Unused] = {}
    """What pins that reading does not need may have on a board, by whole pin name; see `unused`."""
    datasheet: Text
    words: Annotated[int, Field(strict=True, ge=2, le=1 << 26)]
    width_bits: Literal[8, 16]
    access_ns: Annotated[tuple[Positive, ...], Field(min_length=1, max_length=32)]
    """Address access times of the speed grades sold."""
    typical_program_s: Positive | None = None
    """The maker's own whole-chip programming time."""
    blank_byte: Annotated[int, Field(strict=True, ge=0, le=0xFF)] = 0xFF
    supplies: Supplies
    modes: Mapping[Mode, Mapping[str, Level]]
    """Level of each pin by its whole name. Address and data pins need no entry: see `levels`. In read, the
    level that the bench gives; `unused_pins` says which of them a board may do differently."""
    write: Write | None = None
    """None for a part that cannot be written (mask ROM)."""
    sectors: Sectors | None = None
    signature: Signature
    erase: Erase
    notes: Annotated[tuple[Text, ...], Field(max_length=10)] = ()
    """Cautions about this part, as sentences for the user."""
    src: Mapping[str, Text] = {}
    """Dotted key, or the front of one, -> source id, "memory" or "computed"; see `source_of`."""

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        faults = tuple(checks.faults_of(self))
        if faults:
            raise PydanticCustomError(
                "part", "{first}", {"first": f"{faults[0].key}: {faults[0].reason}", "faults": faults}
            )
        return self

    # Size and shape

    @property
    def word_bytes(self) -> int:
        """Bytes in a word: 1 or 2."""
        return self.width_bits // 8

    @property
    def size_bytes(self) -> int:
        """Capacity in bytes."""
        return self.words * self.word_bytes

    @property
    def address_bits(self) -> int:
        """Address lines needed to reach every word."""
        return (self.words - 1).bit_length()

    @property
    def slowest_access_ns(self) -> float:
        """The access time that suits every speed grade listed."""
        return max(self.access_ns)

    def grades_within(self, access_ns: float) -> tuple[float, ...]:
        """Return the speed grades that answer within `access_ns`, fastest first; none if all are slower."""
        return tuple(sorted(grade for grade in self.access_ns if grade <= access_ns))

    def reads_at(self, vcc_v: float) -> bool:
        """Tell whether `vcc_v` lies within the read supply's tolerance."""
        supplies = self.supplies
        # A millivolt of grace keeps 4.5 V inside 5.0 V +/- 0.5 V whatever binary fractions make of it.
        return abs(vcc_v - supplies.vcc_read_v) <= supplies.vcc_read_tolerance_v + 0.001

    # Pins

    def pin_numbers(self, signal: str) -> tuple[int, ...]:
        """Return the pins that carry `signal` (a whole pin name or one job of it), none if there is none."""
        return pins.numbers_of(self.pins, signal)

    def pin_number(self, signal: str) -> int:
        """Return the one pin that carries `signal`; raises LookupError when there is none or several."""
        found = self.pin_numbers(signal)
        if len(found) != 1:
            raise LookupError(f"{self.name} has {len(found)} pins that carry {signal}")
        return found[0]

    def signal_of(self, pin: int) -> str:
        """Return the name of package pin `pin`, counted from 1; raises LookupError outside the package."""
        if not 1 <= pin <= len(self.pins):
            raise LookupError(f"{self.name} has pins 1 to {len(self.pins)}, not {pin}")
        return self.pins[pin - 1]

    @cached_property
    def address_pins(self) -> tuple[int, ...]:
        """Pin numbers of A0, A1... in order."""
        found = pins.numbered(self.pins, "A")
        return tuple(found[bit][0] for bit in range(self.address_bits))

    @cached_property
    def data_pins(self) -> tuple[int, ...]:
        """Pin numbers of D0, D1... in order."""
        found = pins.numbered(self.pins, "D")
        return tuple(found[bit][0] for bit in range(self.width_bits))

    @cached_property
    def vcc_pins(self) -> tuple[int, ...]:
        """Pin numbers of VCC."""
        return self.pin_numbers("VCC")

    @cached_property
    def ground_pins(self) -> tuple[int, ...]:
        """Pin numbers of ground."""
        return tuple(number for number, name in enumerate(self.pins, 1) if pins.is_ground(name))

    @cached_property
    def vpp_pins(self) -> tuple[int, ...]:
        """Pin numbers that take VPP, shared or not; empty where the part has none."""
        return self.pin_numbers("VPP")

    @cached_property
    def control_pins(self) -> tuple[int, ...]:
        """Pin numbers named in the mode table that are neither address nor data, in pin order."""
        named = {
            number for table in self.modes.values() for name in table for number in self.pin_numbers(name)
        }
        return tuple(sorted(named - {*self.address_pins, *self.data_pins}))

    def unused(self, pin: int) -> Unused | None:
        """Tell what a board may put on package pin `pin` if reading does not need it; None for a needed pin.

        A pin marked "not connected" may have anything unless the part says otherwise; one that is also an
        output (`RDY|NC`) is left open.
        """
        name = self.signal_of(pin)
        if name in self.unused_pins:
            return self.unused_pins[name]
        if not pins.is_idle(name):
            return None
        return Unused.ANY if name == "NC" else Unused.OPEN

    @property
    def has_byte_mode(self) -> bool:
        """Tell whether this 16-bit part can also be read 8 bits wide."""
        return bool(self.pin_numbers("/BYTE")) and bool(self.pin_numbers("A-1"))

    def in_package(self, package: str) -> "Part":
        """Return this part in another of its packages; raises LookupError when it is not sold in that one."""
        if package == self.package:
            return self
        if package not in self.also_in:
            known = ", ".join((self.package, *sorted(self.also_in)))
            raise LookupError(f"{self.name} is a {known}, not a {package}")
        # Built anew, so that the same checks judge the other pin table and nothing cached is carried over.
        changed: dict[str, Any] = {
            "package": package,
            "pins": self.also_in[package],
            "pinout": None,
            "also_in": {},
        }
        stated = self.model_dump(exclude_unset=True) | changed
        src = {key: source for key, source in self.src.items() if key.partition(".")[0] != "also_in"}
        stated["src"] = src | {"pins": self.source_of(f"also_in.{package}")}
        return type(self).model_validate(stated)

    def levels(self, mode: Mode) -> dict[int, Level]:
        """Return pin number -> level in `mode` for every pin of the package.

        The mode table decides; where it is silent, address pins carry the address, data pins carry data (and
        float where the mode moves none), VCC is powered, ground is low and the rest floats.
        Raises LookupError when the part has no such mode.
        """
        if mode not in self.modes:
            raise LookupError(f"{self.name} has no {mode} mode")
        result = dict.fromkeys(range(1, len(self.pins) + 1), Level.FLOAT)
        result |= dict.fromkeys(self.address_pins, Level.ADDRESS)
        result |= dict.fromkeys(self.data_pins, Level.DATA if mode in _DATA_MODES else Level.FLOAT)
        result |= dict.fromkeys(self.vcc_pins, Level.VCC)
        result |= dict.fromkeys(self.ground_pins, Level.LOW)
        for name, level in self.modes[mode].items():
            result[self.pin_number(name)] = level
        return result

    # Sources

    @cached_property
    def values(self) -> dict[str, Any]:
        """Dotted key -> value of everything the part file states that a source can vouch for."""
        stated = self.model_dump(exclude_unset=True, exclude_none=True, exclude=set(_DESCRIPTIVE))
        return dict(_leaves("", stated))

    def source_of(self, key: str) -> str:
        """Return the source of the value at dotted `key`: the most exact entry of `src`, else its default."""
        front = key
        while front:
            if front in self.src:
                return self.src[front]
            front = front.rpartition(".")[0]
        return self.src.get(DEFAULT_SOURCE, MEMORY)

    @cached_property
    def confidence(self) -> Confidence:
        """SEEN when all that programming depends on (VPP, pulse, commands, signature) has a source."""
        stated = [key for key in self.values if key in _PROGRAMMING or key.startswith("write.commands.")]
        seen = all(self.source_of(key) != MEMORY for key in stated)
        return Confidence.SEEN if stated and seen else Confidence.MEMORY


def _leaves(front: str, table: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    """Walk nested tables; the pins of one mode and the steps of one command are one value each."""
    for name, value in table.items():
        key = f"{front}{name}"
        if isinstance(value, Mapping) and front != "modes.":
            yield from _leaves(f"{key}.", value)
        else:
            yield key, value
