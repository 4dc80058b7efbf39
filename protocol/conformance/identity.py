"""The answer to HELLO as a judge reads it: bytes apart, and what is wrong with them."""

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from protocol.wire import MAJOR, SupplyKind

_FIXED = struct.Struct("<IBBIHBHH")
_TEXTS = {0x01: "FIRMWARE", 0x02: "HARDWARE", 0x03: "SERIAL"}
_MASKS = {0x10: "DRIVE", 0x11: "SENSE", 0x12: "VCC", 0x13: "VPP", 0x14: "ID", 0x15: "GROUND"}
_SUPPLIES = {0x20: "VCC", 0x21: "VPP", 0x22: "ID"}
_TEXT_MAX = 64
_SIZES = {0x04: 4, 0x05: 1, 0x06: 2, 0x30: 20, **dict.fromkeys(_SUPPLIES, 11)}


@dataclass(frozen=True, slots=True)
class Range:
    """What one supply of the device can do; mV and mA."""

    kind: int = 0
    minimum_mv: int = 0
    maximum_mv: int = 0
    step_mv: int = 0
    tolerance_mv: int = 0
    limit_ma: int = 0


@dataclass(frozen=True, slots=True)
class Identity:
    """What a device says of itself. Pins are socket pins, numbered from 1."""

    nonce: int
    major: int
    minor: int
    boot_id: int
    max_payload: int
    window: int
    rx_bytes: int
    watchdog_ms: int
    texts: dict[str, str] = field(default_factory=dict)
    capabilities: int = 0
    socket_pins: int = 0
    descriptor_max: int = 0
    pins: dict[str, frozenset[int]] = field(default_factory=dict)
    vcc: Range = Range()
    vpp: Range = Range()
    id: Range = Range()
    pulse_min_ns: int = 0
    pulse_max_ns: int = 0
    read_ns: int = 0
    program_ns: int = 0
    settle_ms: int = 0
    problems: tuple[str, ...] = ()

    @property
    def watchdog_s(self) -> float:
        """How long silence may last, seconds."""
        return self.watchdog_ms / 1000

    def pins_for(self, role: str) -> frozenset[int]:
        """Return the pins that can have a role: DRIVE, SENSE, VCC, VPP, ID or GROUND."""
        return self.pins.get(role, frozenset())


def read_identity(detail: bytes) -> Identity | None:
    """Return what the detail of an answer to HELLO says, None when its fixed fields are cut short.

    What breaks section 5 (D32) is in `problems`, in words.
    """
    if len(detail) < _FIXED.size:
        return None
    fixed = _FIXED.unpack_from(detail)
    problems: list[str] = []
    values: dict[int, bytes] = {}
    for tag, value in _records(detail[_FIXED.size :], problems):
        if tag in values:
            problems.append(f"record 0x{tag:02X} is there twice")
        values[tag] = value
    whole = {tag: value for tag, value in values.items() if _sized(tag, value, problems)}
    ranges = {
        name: Range(*struct.unpack_from("<B5H", whole[tag]))
        for tag, name in _SUPPLIES.items()
        if tag in whole
    }
    timing = struct.unpack_from("<IIIIHH", whole[0x30]) if 0x30 in whole else (0,) * 6
    nonce, major, minor, boot_id, max_payload, window, rx_bytes, watchdog_ms = fixed
    identity = Identity(
        nonce,
        major,
        minor,
        boot_id,
        max_payload,
        window,
        rx_bytes,
        watchdog_ms,
        texts={name: whole[tag].decode(errors="replace") for tag, name in _TEXTS.items() if tag in whole},
        capabilities=int.from_bytes(whole.get(0x04, b""), "little"),
        socket_pins=int.from_bytes(whole.get(0x05, b""), "little"),
        descriptor_max=int.from_bytes(whole.get(0x06, b""), "little"),
        pins={name: _pins(whole[tag]) for tag, name in _MASKS.items() if tag in whole},
        vcc=ranges.get("VCC", Range()),
        vpp=ranges.get("VPP", Range()),
        id=ranges.get("ID", Range()),
        pulse_min_ns=timing[0],
        pulse_max_ns=timing[1],
        read_ns=timing[2],
        program_ns=timing[3],
        settle_ms=timing[4],
        problems=(),
    )
    problems += [*_limits(identity), *_supplies(identity), *_masks(identity, whole)]
    return replace(identity, problems=tuple(problems))


def _records(data: bytes, problems: list[str]) -> Iterator[tuple[int, bytes]]:
    at = 0
    while at < len(data):
        end = at + 2 + data[at + 1] if at + 1 < len(data) else len(data) + 1
        if end > len(data):
            problems.append(f"the record at byte {_FIXED.size + at} of the answer is cut short")
            return
        yield data[at], data[at + 2 : end]
        at = end


def _sized(tag: int, value: bytes, problems: list[str]) -> bool:
    size = _SIZES.get(tag)
    if size is not None and len(value) < size:  # a later minor version may add fields
        problems.append(f"record 0x{tag:02X} has {len(value)} bytes, not {size}")
        return False
    if tag in _TEXTS:
        if len(value) > _TEXT_MAX:
            problems.append(f"{_TEXTS[tag]} is {len(value)} bytes long, at most {_TEXT_MAX}")
        try:
            value.decode()
        except UnicodeDecodeError:
            problems.append(f"{_TEXTS[tag]} is no UTF-8")
    return True


def _pins(mask: bytes) -> frozenset[int]:
    bits = int.from_bytes(mask, "little")
    return frozenset(pin for pin in range(1, len(mask) * 8 + 1) if bits >> pin - 1 & 1)


def _limits(told: Identity) -> Iterator[str]:
    ranges = {
        "major": (told.major, MAJOR, MAJOR),
        "max_payload": (told.max_payload, 64, 1024),
        "window": (told.window, 1, 16),
        "watchdog_ms": (told.watchdog_ms, 200, 10_000),
        "rx_bytes": (told.rx_bytes, told.max_payload + 32, 0xFFFF),
        "DESCRIPTOR_MAX": (told.descriptor_max, 256, 0xFFFF),
        "SOCKET_PINS": (told.socket_pins, 1, 255),
    }
    for name, (value, least, most) in ranges.items():
        if not least <= value <= most:
            yield f"{name} is {value}, not {least} to {most}"


def _supplies(told: Identity) -> Iterator[str]:
    for name, supply in (("VCC", told.vcc), ("VPP", told.vpp), ("ID", told.id)):
        if supply.kind > SupplyKind.ADJUSTABLE:
            yield f"{name} is of kind {supply.kind}, which version 1 does not have"
        if supply.minimum_mv > supply.maximum_mv:
            yield f"{name} goes from {supply.minimum_mv} to {supply.maximum_mv} mV"
        if supply.kind == SupplyKind.FIXED and supply.minimum_mv != supply.maximum_mv:
            yield f"{name} is fixed at {supply.minimum_mv} and at {supply.maximum_mv} mV"


def _masks(told: Identity, values: dict[int, bytes]) -> Iterator[str]:
    size = (told.socket_pins + 7) // 8
    for tag, name in _MASKS.items():
        if tag in values and len(values[tag]) != size:
            yield f"the mask {name} has {len(values[tag])} bytes for {told.socket_pins} pins, not {size}"
        if beyond := {pin for pin in told.pins_for(name) if pin > told.socket_pins}:
            yield f"the mask {name} has pin {min(beyond)} in a socket of {told.socket_pins}"
    if told.pulse_min_ns > told.pulse_max_ns:
        yield f"pulses go from {told.pulse_min_ns} to {told.pulse_max_ns} ns"
