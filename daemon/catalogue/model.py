"""A part: one chip type, with everything the bench must know to read, write, check and erase it.

Values come from data sheets; `src` says which sheet gave which value. Beyond the types, `checks` refuses a
part that contradicts itself or its own absolute maximum ratings, so a `Part` is safe to build on.
"""

from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import Annotated, Any, Literal, NamedTuple, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from daemon.catalogue import checks, pins
from daemon.catalogue.terms import (
    Command,
    Confidence,
    EraseMethod,
    Kind,
    Level,
    Loop,
    Mode,
    Placeholder,
    Polling,
    Semantics,
    SignatureMethod,
)

MEMORY = "memory"
COMPUTED = "computed"
DEFAULT_SOURCE = "default"
"""The key of `src` that speaks for every value not named there."""

_DESCRIPTIVE = frozenset({"id", "name", "aliases", "kind", "pinout", "datasheet", "notes", "src"})
_PROGRAMMING = (
    "supplies.vpp_program_v",
    "write.pulse_us",
    "write.write_cycle_us_max",
    "signature.maker",
    "signature.device",
)
_DATA_MODES = frozenset({Mode.READ, Mode.VERIFY, Mode.SIGNATURE, Mode.PROGRAM, Mode.WRITE})


def _rising(band: tuple[float, float]) -> tuple[float, float]:
    if band[0] > band[1]:
        raise PydanticCustomError("band", "starts at {low} and ends below it, at {high}", _ends(band))
    return band


def _ends(band: tuple[float, float]) -> dict[str, Any]:
    return {"low": band[0], "high": band[1]}


Text = Annotated[str, Field(strict=True, min_length=1, max_length=300)]
Volts = Annotated[float, Field(strict=True, gt=0, le=40, allow_inf_nan=False)]
Positive = Annotated[float, Field(strict=True, gt=0, le=1e9, allow_inf_nan=False)]
Count = Annotated[int, Field(strict=True, ge=1, le=1 << 26)]
Code16 = Annotated[int, Field(strict=True, ge=0, le=0xFFFF)]
Address = Annotated[int, Field(strict=True, ge=0, lt=1 << 26)]
VoltBand = Annotated[tuple[Volts, Volts], AfterValidator(_rising)]
Band = Annotated[tuple[Positive, Positive], AfterValidator(_rising)]


class _Record(BaseModel):
    """A frozen table in which a misspelt key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Supplies(_Record):
    """Volts. `_range_v` is the lowest and highest allowed, `_abs_max_v` an absolute maximum rating."""

    vcc_read_v: Volts
    vcc_read_tolerance_v: Volts
    vcc_abs_max_v: Volts
    vcc_program_v: Volts | None = None
    vcc_program_range_v: VoltBand | None = None
    vpp_program_v: Volts | None = None
    vpp_program_range_v: VoltBand | None = None
    vpp_abs_max_v: Volts | None = None
    id_v: Volts | None = None
    id_range_v: VoltBand | None = None
    id_abs_max_v: Volts | None = None
    supply_checks_v: Annotated[tuple[Volts, ...], Field(min_length=1, max_length=4)]
    """The VCC values at which the maker has the content read after programming, in the maker's order."""


class Step(NamedTuple):
    """One write of a command sequence. Written `[address, data]` in a part file."""

    address: Address | Placeholder
    data: Code16 | Placeholder


class Write(_Record):
    """How the part is written.

    Pulse loops use `pulse_us`, `max_pulses` and `overprogram_factor`. Parts that time their own writes use
    `write_cycle_us_*`: one word for byte-write and command loops, one page for page-write.
    """

    semantics: Semantics
    loop: Loop
    pulse_us: Positive | None = None
    pulse_range_us: Band | None = None
    max_pulses: Annotated[int, Field(strict=True, ge=1, le=1000)] | None = None
    """Pulses allowed on one word; in first-pass-then-verify the unverified first pulse is not counted."""
    overprogram_factor: Annotated[int, Field(strict=True, ge=0, le=10)] = 0
    """After the word verifies, one pulse of this factor x pulses used x `pulse_us`; 0 is none."""
    page_bytes: Count | None = None
    page_load_us_max: Positive | None = None
    """Longest pause between two bytes of a page before the part starts writing what it has."""
    write_cycle_us_typ: Positive | None = None
    write_cycle_us_max: Positive | None = None
    polling: Polling = Polling.NONE
    commands: Mapping[Command, Annotated[tuple[Step, ...], Field(min_length=1, max_length=16)]] = {}
    lockable: Annotated[bool, Field(strict=True)] = False
    """True where a locked part's refusal to write looks like success, so only a read-back shows it."""


class Sectors(_Record):
    """Equal sectors that are erased one by one. Times in milliseconds."""

    size_bytes: Count
    erase_ms_typ: Positive
    erase_ms_max: Positive


class Signature(_Record):
    """The maker's and device's codes at word addresses 0 and 1.

    Codes are words of the part. `mask` tells which bits are compared, for 16-bit parts whose sheet gives only
    the low byte; None compares all.
    """

    method: SignatureMethod
    maker: Code16 | None = None
    device: Code16 | None = None
    mask: Code16 | None = None

    def matches(self, maker: int, device: int) -> bool:
        """Tell whether the codes read from a chip are this part's."""
        if self.maker is None or self.device is None:
            return False
        mask = 0xFFFF if self.mask is None else self.mask
        return (maker & mask, device & mask) == (self.maker & mask, self.device & mask)


class Erase(_Record):
    """How the part is erased. Dose in J/cm2 (the same as W·s/cm2) at 253.7 nm; chip times in milliseconds."""

    method: EraseMethod
    dose_j_per_cm2: Positive | None = None
    makers_minutes: Text | None = None
    """The maker's printed time, as words: sheets print minutes that are shorter than their own dose."""
    chip_ms_typ: Positive | None = None
    chip_ms_max: Positive | None = None


class Part(_Record):
    """One chip type. Raises pydantic's `ValidationError` when its values contradict each other."""

    id: Annotated[str, Field(strict=True, max_length=60, pattern=r"^[a-z0-9]+([.-][a-z0-9]+)*$")]
    name: Text
    maker: Text
    aliases: tuple[Text, ...] = ()
    """Other names, such as the family's generic number; several parts may share one."""
    kind: Kind
    package: Annotated[str, Field(strict=True, pattern=r"^[A-Z]{2,6}\d{1,3}$")]
    pinout: Text | None = None
    pins: Annotated[tuple[Text, ...], Field(max_length=100)]
    """Pin names, pin 1 first."""
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
    """Level of each pin by its whole name. Address and data pins need no entry: see `levels`."""
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
