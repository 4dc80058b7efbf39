"""The part descriptor: everything a generic device needs to know of a part (`SPEC.md` section 6).

Pins are socket pins, numbered from 1: the host has already resolved the package and the adapter. Addresses
and sizes count words of the part; a word of 16 bits goes low byte first.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Annotated, Any

from protocol.fields import U8, U16, U32, MalformedError, Scalar, decode, encode, layout_of
from protocol.records import pack_records, unpack_records
from protocol.wire import Level, Mode


class Tag(IntEnum):
    """Tags of descriptor records."""

    GEOMETRY = 0x01
    ADDRESS_PINS = 0x02
    DATA_PINS = 0x03
    CONTROL_PINS = 0x04
    VCC_PINS = 0x05
    GROUND_PINS = 0x06
    SUPPLIES = 0x07
    LOOP = 0x08
    PAGE = 0x09
    ERASE = 0x0A
    SIGNATURE = 0x0B
    ERASE_PULSE = 0x0C
    MODE = 0x10
    SEQUENCE = 0x11


class Semantics(IntEnum):
    """What writing can do to a bit."""

    CLEAR_ONLY = 0
    OVERWRITE = 1
    ERASE_FIRST = 2


class LoopKind(IntEnum):
    """How the part is written."""

    NONE = 0
    VERIFY_EACH_PULSE = 1
    FIRST_PASS_THEN_VERIFY = 2
    BYTE_WRITE = 3
    PAGE_WRITE = 4
    COMMAND = 5


class Polling(IntEnum):
    """How the end of a self-timed write is noticed."""

    NONE = 0
    DATA = 1
    TOGGLE = 2


class SignatureMethod(IntEnum):
    """How the part tells its maker and device codes."""

    NONE = 0
    ID_VOLTAGE = 1
    COMMAND = 2


class SequenceId(IntEnum):
    """Named command sequences."""

    PROGRAM = 1
    SECTOR_ERASE = 2
    CHIP_ERASE = 3
    ID_ENTER = 4
    ID_EXIT = 5
    UNLOCK = 6
    LOCK = 7


class StepAddress(IntEnum):
    """Where one write of a sequence goes."""

    LITERAL = 0
    TARGET = 1
    SECTOR = 2


class StepData(IntEnum):
    """What one write of a sequence puts there."""

    LITERAL = 0
    TARGET = 1


@dataclass(frozen=True, slots=True)
class Geometry:
    """Width (8 or 16 bits), size in words, the erased word, the slowest access time of the part's grades."""

    width_bits: U8
    semantics: Annotated[Semantics, Scalar(1)]
    size_words: U32
    blank_word: U16
    access_ns: U16


@dataclass(frozen=True, slots=True)
class Supplies:
    """Nominal values for reading and programming, their tolerance, and the part's absolute maxima; mV.

    The lowest and highest VCC at which the part may be read bound the supply checks.
    """

    vcc_read_mv: U16
    vcc_low_mv: U16
    vcc_high_mv: U16
    vcc_program_mv: U16
    vpp_program_mv: U16
    id_mv: U16
    vcc_tolerance_mv: U16
    vpp_tolerance_mv: U16
    vcc_max_mv: U16
    vpp_max_mv: U16
    id_max_mv: U16


@dataclass(frozen=True, slots=True)
class Loop:
    """The maker's algorithm: pulse, the most of them per word, overprogram pulse of `factor` x pulses."""

    kind: Annotated[LoopKind, Scalar(1)]
    pulse_ns: U32
    max_pulses: U8
    overprogram_factor: U8


@dataclass(frozen=True, slots=True)
class Page:
    """Self-timed writes: page size in words, longest gap between loads, longest write cycle, polling."""

    words: U16
    load_us: U16
    cycle_us: U32
    polling: Annotated[Polling, Scalar(1)]


@dataclass(frozen=True, slots=True)
class EraseTimes:
    """Electrical erase: sector size in words (0: none), longest times in ms (0: cannot)."""

    sector_words: U32
    sector_ms: U32
    chip_ms: U32


@dataclass(frozen=True, slots=True)
class Signature:
    """How and where the signature is read."""

    method: Annotated[SignatureMethod, Scalar(1)]
    maker_address: U32
    device_address: U32


@dataclass(frozen=True, slots=True)
class ErasePulse:
    """Erase by one long pulse in mode erase: the supplies that must be set, the ID voltage meanwhile, mV."""

    vcc_mv: U16
    vpp_mv: U16
    id_mv: U16
    pulse_us: U32


@dataclass(frozen=True, slots=True)
class Step:
    """One write of a command sequence."""

    address_kind: Annotated[StepAddress, Scalar(1)]
    data_kind: Annotated[StepData, Scalar(1)]
    address: U32
    data: U16


@dataclass(frozen=True, slots=True)
class PartDescriptor:
    """One part in one socket, as the device sees it."""

    geometry: Geometry
    address_pins: tuple[int, ...]
    data_pins: tuple[int, ...]
    control_pins: tuple[int, ...]
    vcc_pins: tuple[int, ...]
    ground_pins: tuple[int, ...]
    supplies: Supplies
    loop: Loop
    modes: Mapping[Mode, tuple[Level, ...]]
    page: Page | None = None
    erase: EraseTimes | None = None
    signature: Signature | None = None
    erase_pulse: ErasePulse | None = None
    sequences: Mapping[SequenceId, tuple[Step, ...]] = field(default_factory=dict)


_PIN_LISTS = {
    Tag.ADDRESS_PINS: "address_pins",
    Tag.DATA_PINS: "data_pins",
    Tag.CONTROL_PINS: "control_pins",
    Tag.VCC_PINS: "vcc_pins",
    Tag.GROUND_PINS: "ground_pins",
}
_STRUCTS: dict[Tag, tuple[str, type[Any]]] = {
    Tag.GEOMETRY: ("geometry", Geometry),
    Tag.SUPPLIES: ("supplies", Supplies),
    Tag.LOOP: ("loop", Loop),
    Tag.PAGE: ("page", Page),
    Tag.ERASE: ("erase", EraseTimes),
    Tag.SIGNATURE: ("signature", Signature),
    Tag.ERASE_PULSE: ("erase_pulse", ErasePulse),
}
_REQUIRED = frozenset({"geometry", "supplies", "loop", *_PIN_LISTS.values()})


class UnknownRecordError(MalformedError):
    """A record that this end does not know: a device refuses it, since skipping it could hurt the chip."""

    def __init__(self, tag: int, index: int) -> None:
        super().__init__(f"descriptor record {tag:#04x} is unknown")
        self.tag = tag
        self.index = index


def encode_descriptor(part: PartDescriptor) -> bytes:
    """Return the descriptor's records, in ascending tag order."""
    records: list[tuple[int, bytes]] = []
    for tag in Tag:
        if tag in _PIN_LISTS:
            records.append((tag, bytes(getattr(part, _PIN_LISTS[tag]))))
        elif tag in _STRUCTS and (value := getattr(part, _STRUCTS[tag][0])) is not None:
            records.append((tag, encode(value)))
    records += [(Tag.MODE, bytes((mode, *levels))) for mode, levels in sorted(part.modes.items())]
    records += [
        (Tag.SEQUENCE, bytes((name,)) + b"".join(encode(step) for step in steps))
        for name, steps in sorted(part.sequences.items())
    ]
    return pack_records(records)


def decode_descriptor(data: bytes) -> PartDescriptor:
    """Return the part that the records describe.

    Raises UnknownRecordError for a tag of a later version, MalformedError for anything cut short, missing or
    given twice, or a mode that does not have one level for each control pin.
    """
    values: dict[str, Any] = {}
    modes: dict[Mode, tuple[Level, ...]] = {}
    sequences: dict[SequenceId, tuple[Step, ...]] = {}
    seen: set[tuple[int, int | None]] = set()
    for index, (number, value) in enumerate(unpack_records(data)):
        try:
            tag = Tag(number)
        except ValueError as error:
            raise UnknownRecordError(number, index) from error
        # Of modes and sequences there are many: they are told apart by their first byte.
        key = (number, value[0] if tag in (Tag.MODE, Tag.SEQUENCE) and value else None)
        if key in seen:
            raise MalformedError(f"descriptor record {tag.name} is given twice")
        seen.add(key)
        try:
            if tag in _PIN_LISTS:
                values[_PIN_LISTS[tag]] = tuple(value)
            elif tag in _STRUCTS:
                name, cls = _STRUCTS[tag]
                values[name] = decode(cls, value)
            elif tag is Tag.MODE:
                modes[Mode(value[0])] = tuple(Level(code) for code in value[1:])
            else:
                sequences[SequenceId(value[0])] = _decode_steps(value[1:])
        except (ValueError, IndexError) as error:
            raise MalformedError(f"descriptor record {tag.name}: {error}") from error
    if missing := _REQUIRED - values.keys():
        raise MalformedError(f"descriptor lacks {', '.join(sorted(missing))}")
    pins = len(values["control_pins"])
    for mode, levels in modes.items():
        if len(levels) != pins:
            raise MalformedError(f"mode {mode.name} has {len(levels)} levels for {pins} control pins")
    return PartDescriptor(modes=modes, sequences=sequences, **values)


def _decode_steps(data: bytes) -> tuple[Step, ...]:
    size = layout_of(Step).packing.size
    if len(data) % size:
        raise MalformedError("steps are cut short")
    return tuple(decode(Step, data[at : at + size]) for at in range(0, len(data), size))
