"""Part descriptors to judge a device with: raw records, so that single ones can be spoilt."""

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from protocol.conformance.identity import Identity, Range
from protocol.wire import Capability, Level, Mode, SupplyKind

GEOMETRY, ADDRESS, DATA, CONTROL, VCC, GROUND, SUPPLIES, LOOP = range(1, 9)
PAGE, ERASE, SIGNATURE, ERASE_PULSE = range(9, 13)
MODE, SEQUENCE = 0x10, 0x11

PULSE_NS = 20_000_000
"""The pulse of the trial part: long enough to be in the middle of, short enough for most boards (ours)."""
BUSY_NS = 500_000_000
"""How long a word that does not take is pulsed: long enough to talk meanwhile (ours)."""
BLANK = 0xFF

Record = tuple[int, bytes]


@dataclass(frozen=True, slots=True)
class TrialPart:
    """A descriptor by its records, and the figures in it that checks work with; mV, ns, words."""

    records: tuple[Record, ...]
    words: int
    width_bits: int
    blank: int
    vcc_read_mv: int
    vcc_program_mv: int
    vpp_mv: int
    vcc_max_mv: int
    vpp_max_mv: int
    vcc_high_mv: int
    loop: int
    pulse_ns: int
    most_pulses: int

    @property
    def word_bytes(self) -> int:
        """Bytes in a word."""
        return self.width_bits // 8

    @property
    def pulse_s(self) -> float:
        """Length of one pulse, seconds."""
        return self.pulse_ns / 1e9

    @property
    def full_pass(self) -> int:
        """The pass of PROGRAM that pulses a word until it is right: full for loop 1, verify for loop 2."""
        return 2 if self.loop == 2 else 0

    def packed(self) -> bytes:
        """Return the descriptor as it is sent."""
        return packed(self.records)

    def place(self, tag: int, key: int | None = None) -> int:
        """Return the place of a record in the descriptor. Raises KeyError when it is not there."""
        for place, (own, value) in enumerate(self.records):
            if own == tag and (key is None or value[0] == key):
                return place
        raise KeyError(tag)

    def value(self, tag: int) -> bytes:
        """Return the value of the first record with `tag`."""
        return self.records[self.place(tag)][1]

    def with_value(self, tag: int, value: bytes, key: int | None = None) -> tuple[Record, ...]:
        """Return the records with the value of one replaced."""
        records = list(self.records)
        records[self.place(tag, key)] = tag, value
        return tuple(records)

    def with_loop(self, kind: int, pulse_ns: int, most_pulses: int = 0, factor: int = 0) -> "TrialPart":
        """Return the part with another loop; without a number of pulses, so many that `BUSY_NS` go by."""
        most_pulses = most_pulses or min(255, -(-BUSY_NS // pulse_ns))
        value = struct.pack("<BIBB", kind, pulse_ns, most_pulses, factor)
        return replace(
            self, records=self.with_value(LOOP, value), loop=kind, pulse_ns=pulse_ns, most_pulses=most_pulses
        )


def packed_mv(*values: int) -> bytes:
    """Return millivolts as they are sent, each brought into the range of two bytes."""
    return b"".join(min(max(value, 0), 0xFFFF).to_bytes(2, "little") for value in values)


def packed(records: Iterable[Record]) -> bytes:
    """Return records one after another."""
    return b"".join(bytes((tag, len(value))) + value for tag, value in records)


def unpacked(data: bytes) -> Iterator[Record]:
    """Yield the records in `data`. Raises ValueError when the last one is cut short."""
    at = 0
    while at < len(data):
        end = at + 2 + data[at + 1] if at + 1 < len(data) else len(data) + 1
        if end > len(data):
            raise ValueError(f"the record at byte {at} is cut short")
        yield data[at], data[at + 2 : end]
        at = end


def from_descriptor(data: bytes, identity: Identity) -> TrialPart:
    """Return a trial part that is the part of a real descriptor, with a pulse of the trial's length.

    Raises ValueError for a descriptor without geometry, supplies or loop.
    """
    records = tuple(unpacked(data))
    values = dict(reversed(records))
    if not {GEOMETRY, SUPPLIES, LOOP} <= values.keys():
        raise ValueError("the descriptor lacks geometry, supplies or loop")
    width_bits, _, words, blank, _ = struct.unpack_from("<BBIHH", values[GEOMETRY])
    supplies = struct.unpack_from("<11H", values[SUPPLIES])
    loop, pulse_ns, most, _ = struct.unpack_from("<BIBB", values[LOOP])
    part = TrialPart(
        records, words, width_bits, blank,
        vcc_read_mv=supplies[0], vcc_program_mv=supplies[3], vpp_mv=supplies[4],
        vcc_max_mv=supplies[8], vpp_max_mv=supplies[9],
        vcc_high_mv=max(supplies[0], supplies[2], supplies[3]),
        loop=loop, pulse_ns=pulse_ns, most_pulses=most,
    )  # fmt: skip
    return part.with_loop(loop, _pulse_ns(identity)) if loop in (1, 2) else part


def _pulse_ns(identity: Identity) -> int:
    longest_ns = identity.pulse_max_ns or PULSE_NS
    return max(min(PULSE_NS, longest_ns), identity.pulse_min_ns)


@dataclass(frozen=True, slots=True)
class _Layout:
    """Pins of a JEDEC package by signal, and the levels of the mode table in the order of `control`."""

    name: str
    pins: str
    control: tuple[str, ...]
    modes: dict[Mode, str]


_LEVELS = {
    "l": Level.LOW, "h": Level.HIGH, "V": Level.VPP,
    "c": Level.VCC, "p": Level.PULSE_LOW, "P": Level.PULSE_HIGH,
}  # fmt: skip

# Pin-outs as in the catalogue (its sources are named there); the modes are those of the makers' mode tables.
_WITH_PGM = {
    Mode.STANDBY: "hhhc", Mode.READ: "llhc", Mode.PROGRAM: "lhpV", Mode.VERIFY: "llhV", Mode.INHIBIT: "hhhV",
}  # fmt: skip
_SHARED_VPP = {
    Mode.STANDBY: "hh", Mode.READ: "ll", Mode.PROGRAM: "pV", Mode.VERIFY: "ll", Mode.INHIBIT: "hV",
}  # fmt: skip
_PULSED_HIGH = {
    Mode.STANDBY: "hhc", Mode.READ: "llc", Mode.PROGRAM: "PhV", Mode.VERIFY: "llV", Mode.INHIBIT: "lhV",
}  # fmt: skip
LAYOUTS = (
    _Layout(
        "2764 in 28 pins",
        "VPP A12 A7 A6 A5 A4 A3 A2 A1 A0 D0 D1 D2 GND D3 D4 D5 D6 D7 /CE A10 /OE A11 A9 A8 NC /PGM VCC",
        ("/CE", "/OE", "/PGM", "VPP"),
        _WITH_PGM,
    ),
    _Layout(
        "27010 in 32 pins",
        "VPP A16 A15 A12 A7 A6 A5 A4 A3 A2 A1 A0 D0 D1 D2 GND"
        " D3 D4 D5 D6 D7 /CE A10 /OE A11 A9 A8 A13 A14 NC /PGM VCC",
        ("/CE", "/OE", "/PGM", "VPP"),
        _WITH_PGM,
    ),
    _Layout(
        "27512 in 28 pins",
        "A15 A12 A7 A6 A5 A4 A3 A2 A1 A0 D0 D1 D2 GND D3 D4 D5 D6 D7 /CE A10 /OE A11 A9 A8 A13 A14 VCC",
        ("/CE", "/OE"),
        _SHARED_VPP,
    ),
    _Layout(
        "2716 in 24 pins",
        "A7 A6 A5 A4 A3 A2 A1 A0 D0 D1 D2 GND D3 D4 D5 D6 D7 /CE A10 /OE VPP A9 A8 VCC",
        ("/CE", "/OE", "VPP"),
        _PULSED_HIGH,
    ),
)


def trial_parts(identity: Identity) -> list[TrialPart]:
    """Return parts that a device of this identity should take, the most ordinary first.

    They are for an empty socket: pin-outs of real parts, supplies that this device makes.
    """
    found = []
    for layout in LAYOUTS:
        pins = layout.pins.split()
        if len(pins) <= identity.socket_pins and (identity.socket_pins - len(pins)) % 2 == 0:
            found.append(_trial_part(layout, pins, identity))
    return found


def _trial_part(layout: _Layout, pins: list[str], identity: Identity) -> TrialPart:
    shift = (identity.socket_pins - len(pins)) // 2
    at = {name: place + shift for place, name in enumerate(pins, 1)}
    lines = sorted((name for name in at if name[0] == "A"), key=lambda name: int(name[1:]))
    vcc_read = _within(identity.vcc, 5000)
    vcc_program = _within(identity.vcc, 6250)
    vpp = _within(identity.vpp, 12750)
    vcc_room, vpp_room = identity.vcc.tolerance_mv, identity.vpp.tolerance_mv
    vcc_max, vpp_max = max(7000, vcc_program + vcc_room), max(vpp + vpp_room, 14000)
    loop = 1 if Capability.LOOP_VERIFY_EACH & identity.capabilities else 2
    if not (Capability.LOOP_VERIFY_EACH | Capability.LOOP_FIRST_PASS) & identity.capabilities or not vpp:
        loop = 0
    supplies = packed_mv(
        vcc_read, vcc_read - 500, vcc_read + 500, vcc_program, vpp, 0,
        max(250, vcc_room), max(250, vpp_room), vcc_max, vpp_max, 0,
    )  # fmt: skip
    words = 1 << len(lines)
    records: list[Record] = [
        (GEOMETRY, struct.pack("<BBIHH", 8, 0, words, BLANK, 450)),
        (ADDRESS, bytes(at[name] for name in lines)),
        (DATA, bytes(at[f"D{bit}"] for bit in range(8))),
        (CONTROL, bytes(at[name] for name in layout.control)),
        (VCC, bytes((at["VCC"],))),
        (GROUND, bytes((at["GND"],))),
        (SUPPLIES, supplies),
        (LOOP, struct.pack("<BIBB", loop, 0, 0, 0)),
    ]
    for mode, levels in layout.modes.items():
        if loop or mode in (Mode.STANDBY, Mode.READ):
            records.append((MODE, bytes((mode, *(_LEVELS[level] for level in levels)))))
    return from_descriptor(packed(records), identity)


def _within(supply: Range, value_mv: int) -> int:
    """Return the value nearest to `value_mv` that the supply makes; 0 where there is none."""
    if supply.kind == SupplyKind.ABSENT:
        return 0
    return min(max(value_mv, supply.minimum_mv), supply.maximum_mv)
