"""Judging a part descriptor: what this board cannot honour, and where the descriptor says it (D22)."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from protocol.descriptor import (
    LoopKind,
    PartDescriptor,
    SequenceId,
    SignatureMethod,
    Tag,
    UnknownRecordError,
    decode_descriptor,
)
from protocol.fields import MalformedError
from protocol.identity import Identity, Pins, SupplyRange
from protocol.messages import SetupResult
from protocol.records import unpack_records
from protocol.wire import Capability, Level, Mode, Status, SupplyKind

#: A pulse that a board cannot make exactly must come within this share (D22).
PULSE_TOLERANCE = 0.05

PULSED = frozenset({LoopKind.VERIFY_EACH_PULSE, LoopKind.FIRST_PASS_THEN_VERIFY})
_LOOPS = {
    LoopKind.NONE: (Capability.NONE, frozenset[Mode]()),
    LoopKind.VERIFY_EACH_PULSE: (Capability.LOOP_VERIFY_EACH, frozenset({Mode.PROGRAM, Mode.VERIFY})),
    LoopKind.FIRST_PASS_THEN_VERIFY: (Capability.LOOP_FIRST_PASS, frozenset({Mode.PROGRAM, Mode.VERIFY})),
    LoopKind.BYTE_WRITE: (Capability.BYTE_WRITE, frozenset({Mode.WRITE})),
    LoopKind.PAGE_WRITE: (Capability.PAGE_WRITE, frozenset({Mode.WRITE})),
    LoopKind.COMMAND: (Capability.COMMANDS, frozenset({Mode.WRITE})),
}


@dataclass(frozen=True, slots=True)
class Verdict:
    """The judged descriptor: `part` when all can be honoured, else `status` and where the trouble is."""

    status: Status
    part: PartDescriptor | None = None
    where: SetupResult | None = None


@dataclass(frozen=True, slots=True)
class Place:
    """A record of the descriptor: its tag, and the mode or sequence that it is about."""

    tag: Tag
    key: int | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that cannot be honoured."""

    place: Place
    status: Status = Status.CANNOT


class _ContradictionError(MalformedError):
    """The descriptor does not agree with itself."""


def judge(data: bytes, identity: Identity) -> Verdict:
    """Return what `identity`'s board makes of a descriptor."""
    try:
        part = decode_descriptor(data)
        _check_sense(part)
        finding = next((found for check in _CHECKS for found in check(part, identity)), None)
    except UnknownRecordError as error:
        return Verdict(Status.CANNOT, where=SetupResult(error.tag, error.index))
    except MalformedError:
        return Verdict(Status.MALFORMED)
    if finding is None:
        return Verdict(Status.OK, part)
    return Verdict(finding.status, where=_locate(data, finding.place))


def _locate(data: bytes, place: Place) -> SetupResult:
    for index, (tag, value) in enumerate(unpack_records(data)):
        if tag == place.tag and (place.key is None or value[0] == place.key):
            return SetupResult(place.tag, index)
    return SetupResult(place.tag, 0)  # a record that is missing


def _check_sense(part: PartDescriptor) -> None:
    """Raise for a descriptor that no board could follow."""
    geometry = part.geometry
    if len(part.data_pins) != geometry.width_bits or geometry.blank_word >> geometry.width_bits:
        raise _ContradictionError("width, data pins and erased word disagree")
    if geometry.size_words < 1 or geometry.size_words > 1 << len(part.address_pins):
        raise _ContradictionError("the address pins do not reach every word")
    if any(len(levels) != len(part.control_pins) for levels in part.modes.values()):
        raise _ContradictionError("a mode does not cover the control pins")
    roles = {Level.ADDRESS: part.address_pins, Level.DATA: part.data_pins}
    for levels in part.modes.values():
        for pin, level in zip(part.control_pins, levels, strict=True):
            if level in roles and pin not in roles[level]:
                raise _ContradictionError(f"pin {pin} has no role as {level.name}")
    fixed = (*part.address_pins, *part.data_pins, *part.vcc_pins, *part.ground_pins)
    if len(set(fixed)) != len(fixed):
        raise _ContradictionError("a pin has two roles that no mode decides between")


def _geometry(part: PartDescriptor, identity: Identity) -> Iterator[Finding]:
    if part.geometry.width_bits not in (8, 16):
        yield Finding(Place(Tag.GEOMETRY))


def _pins(part: PartDescriptor, identity: Identity) -> Iterator[Finding]:
    lists = {
        Tag.ADDRESS_PINS: (part.address_pins, identity.drive_pins),
        Tag.DATA_PINS: (part.data_pins, identity.drive_pins & identity.sense_pins),
        Tag.CONTROL_PINS: (part.control_pins, frozenset(range(1, identity.socket_pins + 1))),
        Tag.VCC_PINS: (part.vcc_pins, identity.vcc_pins),
        Tag.GROUND_PINS: (part.ground_pins, identity.ground_pins),
    }
    for tag, (pins, possible) in lists.items():
        if not set(pins) <= possible:
            yield Finding(Place(tag))


def _modes(part: PartDescriptor, identity: Identity) -> Iterator[Finding]:
    for mode, levels in part.modes.items():
        for pin, level in zip(part.control_pins, levels, strict=True):
            if pin not in _able_pins(level, pin, identity):
                yield Finding(Place(Tag.MODE, mode))


def _able_pins(level: Level, pin: int, identity: Identity) -> Pins:
    """Return the pins that can have `level`; `pin` itself where it is already judged, or needs nothing."""
    match level:
        case Level.VPP:
            return identity.vpp_pins
        case Level.ID:
            return identity.id_pins
        case Level.VCC:
            # A pin that rests at VCC may get it from the VPP switch, or as a high logic level.
            return identity.vcc_pins | identity.vpp_pins | identity.drive_pins
        case Level.LOW:
            return identity.drive_pins | identity.ground_pins
        case Level.FLOAT | Level.ADDRESS | Level.DATA:
            return frozenset({pin})
        case _:
            return identity.drive_pins


def _supplies(part: PartDescriptor, identity: Identity) -> Iterator[Finding]:
    asked = part.supplies
    place = Place(Tag.SUPPLIES)
    programs = part.loop.kind is not LoopKind.NONE
    by_id = part.signature is not None and part.signature.method is SignatureMethod.ID_VOLTAGE
    uses = (
        (True, asked.vcc_read_mv, asked.vcc_max_mv, identity.vcc, asked.vcc_tolerance_mv),
        (programs, asked.vcc_program_mv, asked.vcc_max_mv, identity.vcc, asked.vcc_tolerance_mv),
        (programs, asked.vpp_program_mv, asked.vpp_max_mv, identity.vpp, asked.vpp_tolerance_mv),
        # The part names no tolerance for the ID voltage: the board's own is taken.
        (by_id, asked.id_mv, asked.id_max_mv, identity.id, identity.id.tolerance_mv),
    )
    for used, value_mv, most_mv, _, _ in uses:
        if used and value_mv > most_mv:
            yield Finding(place, Status.LIMIT)
    for used, value_mv, _, supply, tolerance_mv in uses:
        if used and value_mv and not _reaches(supply, value_mv, tolerance_mv):
            yield Finding(place)


def _reaches(supply: SupplyRange, value_mv: int, tolerance_mv: int) -> bool:
    if supply.kind is SupplyKind.ABSENT:
        return False
    return supply.minimum_mv - tolerance_mv <= value_mv <= supply.maximum_mv + tolerance_mv


def _loop(part: PartDescriptor, identity: Identity) -> Iterator[Finding]:
    loop, timing, place = part.loop, identity.timing, Place(Tag.LOOP)
    capability, modes = _LOOPS[loop.kind]
    if capability not in identity.capabilities or not modes <= part.modes.keys():
        yield Finding(place)
    if loop.kind in PULSED:
        widths_ns = [loop.pulse_ns]
        if loop.overprogram_factor:
            widths_ns.append(loop.pulse_ns * loop.overprogram_factor * loop.max_pulses)
            if Capability.OVERPROGRAM not in identity.capabilities:
                yield Finding(place)
        least_ns = timing.pulse_min_ns / (1 + PULSE_TOLERANCE)
        most_ns = timing.pulse_max_ns * (1 + PULSE_TOLERANCE)
        if not loop.max_pulses or not least_ns <= widths_ns[0] <= widths_ns[-1] <= most_ns:
            yield Finding(place)


def _self_timed(part: PartDescriptor, identity: Identity) -> Iterator[Finding]:
    page = part.page
    if part.loop.kind is LoopKind.PAGE_WRITE:
        if page is None or not page.words:
            yield Finding(Place(Tag.LOOP))
        elif page.load_us and identity.timing.program_ns_per_word > page.load_us * 1000:
            yield Finding(Place(Tag.PAGE))
    if part.loop.kind is LoopKind.COMMAND and SequenceId.PROGRAM not in part.sequences:
        yield Finding(Place(Tag.LOOP))
    if part.loop.kind is LoopKind.BYTE_WRITE and (page is None or not page.cycle_us):
        yield Finding(Place(Tag.LOOP))


def _commands(part: PartDescriptor, identity: Identity) -> Iterator[Finding]:
    able = Capability.COMMANDS in identity.capabilities
    erase = part.erase
    if erase is not None and (erase.chip_ms or erase.sector_ms) and not able:
        yield Finding(Place(Tag.ERASE))
    for name in part.sequences:
        if not able or Mode.WRITE not in part.modes:
            yield Finding(Place(Tag.SEQUENCE, name))


def _signature(part: PartDescriptor, identity: Identity) -> Iterator[Finding]:
    signature = part.signature
    if signature is None or signature.method is SignatureMethod.NONE:
        return
    by_id = signature.method is SignatureMethod.ID_VOLTAGE
    able = Capability.ID_VOLTAGE if by_id else Capability.COMMANDS
    farthest = max(signature.maker_address, signature.device_address)
    if (
        able not in identity.capabilities
        or farthest >= part.geometry.size_words
        or (by_id and Mode.SIGNATURE not in part.modes)
    ):
        yield Finding(Place(Tag.SIGNATURE))


def _erase_pulse(part: PartDescriptor, identity: Identity) -> Iterator[Finding]:
    """Judge an erase by voltage: mode and pulse come together, within the limits of part and board."""
    pulse, limits = part.erase_pulse, part.supplies
    if pulse is None:
        if Mode.ERASE in part.modes:
            yield Finding(Place(Tag.MODE, Mode.ERASE))
        return
    place = Place(Tag.ERASE_PULSE)
    uses = (
        (pulse.vcc_mv, limits.vcc_max_mv, identity.vcc, limits.vcc_tolerance_mv),
        (pulse.vpp_mv, limits.vpp_max_mv, identity.vpp, limits.vpp_tolerance_mv),
        (pulse.id_mv, limits.id_max_mv, identity.id, identity.id.tolerance_mv),
    )
    if any(value_mv > most_mv for value_mv, most_mv, _, _ in uses):
        yield Finding(place, Status.LIMIT)
    able = Capability.ID_VOLTAGE in identity.capabilities and Mode.ERASE in part.modes
    made = all(_reaches(supply, value_mv, tolerance_mv) for value_mv, _, supply, tolerance_mv in uses)
    if not able or not made or pulse.pulse_us * 1000 > identity.timing.pulse_max_ns:
        yield Finding(place)


_CHECKS: tuple[Callable[[PartDescriptor, Identity], Iterator[Finding]], ...] = (
    _geometry,
    _pins,
    _modes,
    _supplies,
    _loop,
    _self_timed,
    _commands,
    _signature,
    _erase_pulse,
)
