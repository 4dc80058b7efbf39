"""Who a device is and what it can do: the records in the answer to HELLO (`SPEC.md` section 5)."""

from dataclasses import dataclass, field, fields
from enum import IntEnum
from typing import Annotated, Any

from protocol.fields import U8, U16, U32, MalformedError, Scalar, decode, encode
from protocol.records import pack_records, unpack_records
from protocol.wire import Capability, SupplyKind

Pins = frozenset[int]

#: Longest text in bytes: with it the whole answer fits a frame, however many pins the socket has.
TEXT_MAX = 64


@dataclass(frozen=True, slots=True)
class SupplyRange:
    """What one supply can do; mV and mA. A fixed one has minimum = maximum, an absent one only zeros."""

    kind: Annotated[SupplyKind, Scalar(1)] = SupplyKind.ABSENT
    minimum_mv: U16 = 0
    maximum_mv: U16 = 0
    step_mv: U16 = 0
    tolerance_mv: U16 = 0
    limit_ma: U16 = 0


@dataclass(frozen=True, slots=True)
class Timing:
    """The device's own figures: they make estimates honest and say how fine its pulses and strobes are."""

    pulse_min_ns: U32 = 0
    pulse_max_ns: U32 = 0
    read_ns_per_word: U32 = 0
    program_ns_per_word: U32 = 0
    settle_ms: U16 = 0
    strobe_ns: U16 = 0


class IdentityTag(IntEnum):
    """Tags of the records in the answer to HELLO."""

    FIRMWARE = 0x01
    HARDWARE = 0x02
    SERIAL = 0x03
    CAPABILITIES = 0x04
    SOCKET_PINS = 0x05
    DESCRIPTOR_MAX = 0x06
    DRIVE_PINS = 0x10
    SENSE_PINS = 0x11
    VCC_PINS = 0x12
    VPP_PINS = 0x13
    ID_PINS = 0x14
    GROUND_PINS = 0x15
    VCC = 0x20
    VPP = 0x21
    ID = 0x22
    TIMING = 0x30


@dataclass(frozen=True, slots=True)
class Identity:
    """A device's description of itself. Pins are socket pins, numbered from 1."""

    firmware: str = ""
    hardware: str = ""
    serial: str = ""
    capabilities: Capability = Capability.NONE
    socket_pins: int = 0
    descriptor_max_bytes: int = 0
    drive_pins: Pins = field(default_factory=frozenset)
    sense_pins: Pins = field(default_factory=frozenset)
    vcc_pins: Pins = field(default_factory=frozenset)
    vpp_pins: Pins = field(default_factory=frozenset)
    id_pins: Pins = field(default_factory=frozenset)
    ground_pins: Pins = field(default_factory=frozenset)
    vcc: SupplyRange = SupplyRange()
    vpp: SupplyRange = SupplyRange()
    id: SupplyRange = SupplyRange()
    timing: Timing = Timing()


@dataclass(frozen=True, slots=True)
class _Long:
    value: U32


@dataclass(frozen=True, slots=True)
class _Short:
    value: U16


@dataclass(frozen=True, slots=True)
class _Byte:
    value: U8


def pins_to_mask(pins: Pins, socket_pins: int) -> bytes:
    """Return the bit mask of socket pins, pin 1 in bit 0 of the first byte.

    Raises ValueError for a pin that the socket does not have.
    """
    if pins and not (min(pins) >= 1 and max(pins) <= socket_pins):
        raise ValueError(f"pins {sorted(pins)} in a socket of {socket_pins}")
    mask = sum(1 << pin - 1 for pin in pins)
    return mask.to_bytes((socket_pins + 7) // 8, "little")


def mask_to_pins(mask: bytes) -> Pins:
    """Return the socket pins whose bit is set."""
    bits = int.from_bytes(mask, "little")
    return frozenset(pin for pin in range(1, len(mask) * 8 + 1) if bits >> pin - 1 & 1)


def encode_identity(identity: Identity) -> bytes:
    """Return the records of the answer to HELLO; texts are cut to `TEXT_MAX` bytes.

    Raises ValueError for a value that does not fit its record.
    """
    records: list[tuple[int, bytes]] = []
    for tag in IdentityTag:
        value = getattr(identity, _NAMES[tag])
        match value:
            case str():
                # Cut between characters, so that a long name stays readable text.
                records.append((tag, value.encode()[:TEXT_MAX].decode(errors="ignore").encode()))
            case frozenset():
                records.append((tag, pins_to_mask(value, identity.socket_pins)))
            case int():
                records.append((tag, encode(_SCALARS[tag](value))))
            case _:
                records.append((tag, encode(value)))
    return pack_records(records)


def decode_identity(data: bytes) -> Identity:
    """Return what the records say; unknown ones are skipped, missing ones keep their empty default.

    Raises MalformedError for a record that is too short or text that is no UTF-8.
    """
    values: dict[str, Any] = {}
    for tag, value in unpack_records(data):
        if tag not in _NAMES:
            continue
        name = _NAMES[IdentityTag(tag)]
        if tag in (IdentityTag.FIRMWARE, IdentityTag.HARDWARE, IdentityTag.SERIAL):
            try:
                values[name] = value.decode()
            except UnicodeDecodeError as error:
                raise MalformedError(f"{name}: no UTF-8 text") from error
        elif tag in _SCALARS:
            values[name] = decode(_SCALARS[IdentityTag(tag)], value).value
        elif tag == IdentityTag.TIMING:
            values[name] = decode(Timing, value)
        elif tag in (IdentityTag.VCC, IdentityTag.VPP, IdentityTag.ID):
            values[name] = decode(SupplyRange, value)
        else:
            values[name] = mask_to_pins(value)
    values["capabilities"] = Capability(values.get("capabilities", 0))
    return Identity(**values)


_SCALARS: dict[IdentityTag, type[_Long] | type[_Short] | type[_Byte]] = {
    IdentityTag.CAPABILITIES: _Long,
    IdentityTag.SOCKET_PINS: _Byte,
    IdentityTag.DESCRIPTOR_MAX: _Short,
}
_NAMES: dict[int, str] = dict(zip(IdentityTag, (f.name for f in fields(Identity)), strict=True))
