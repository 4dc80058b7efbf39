"""How a part sits in a programmer's socket, and the descriptor that tells the programmer about it.

The socket takes narrower packages at its bottom end: JEDEC's byte-wide packages are bottom-justified, so that
package pin p of n meets socket pin p + (S - n) / 2 of S (Fairchild NM27C256 data sheet, July 1998, page 1).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, assert_never

from daemon.catalogue.checks import printed_pins
from daemon.catalogue.model import Part
from daemon.catalogue.terms import (
    Command,
    Level,
    Loop,
    Mode,
    Placeholder,
    Polling,
    Semantics,
    SignatureMethod,
)
from daemon.errors import BenchError, Code
from daemon.operations.supplies import setting_for
from protocol import descriptor as wire
from protocol.identity import Identity
from protocol.wire import Capability
from protocol.wire import Level as WireLevel
from protocol.wire import Mode as WireMode

if TYPE_CHECKING:
    from daemon.adapters.seating import Seated

#: Margin modes are reserved in version 1.0 of the wire: no device uses them, so they are not sent. Neither is
#: a mode that this version of the wire has no number for.
_SENT_MODES = tuple(
    mode
    for mode in Mode
    if mode.name in WireMode.__members__ and mode not in (Mode.MARGIN_SET, Mode.MARGIN_RESET)
)
#: Given where the sheet names no range: a tenth of a volt is what a trimmed supply holds.
_TOLERANCE_V = 0.1


@dataclass(frozen=True, slots=True)
class Fit:
    """A part in a socket: package pin -> socket pin, through an adapter known by its id.

    Pins that an adapter ties or leaves open meet no socket pin and are not in `socket_pins`.
    `read_only_because` says why the part cannot be written through this adapter. `seated` is
    how the chip sits on it, None without one.
    """

    part: Part
    adapter: str
    socket_pins: Mapping[int, int]
    read_only_because: str | None = None
    seated: "Seated | None" = None

    def socket_pin(self, package_pin: int) -> int:
        """Return the socket pin that meets `package_pin`."""
        return self.socket_pins[package_pin]

    def package_pin(self, socket_pin: int) -> int | None:
        """Return the package pin in `socket_pin`, None where no pin of this package is."""
        return next((own for own, socket in self.socket_pins.items() if socket == socket_pin), None)


def fit_directly(part: Part, identity: Identity, *, rows_up: int = 0) -> Fit:
    """Put the part into the socket without an adapter, or where it sits when it is `rows_up` rows too high.

    Raises BenchError `part-does-not-fit` when the package is not a DIP or has more pins than the socket.
    """
    own, socket = len(part.pins), identity.socket_pins
    if not part.package.startswith("DIP") or own > socket or (socket - own) % 2:
        raise BenchError(
            Code.PART_DOES_NOT_FIT,
            f"{part.name} is a {part.package}; this programmer takes DIP packages of up to {socket} pins",
            hint="Use a programmer with a larger socket, or an adapter made for this package.",
            field="part",
        )
    shift = (socket - own) // 2
    if not 0 <= rows_up <= shift:
        raise ValueError(f"there are {shift} rows above a {own}-pin part, not {rows_up}")
    half = own // 2
    moves = {pin: -rows_up if pin <= half else rows_up for pin in range(1, own + 1)}
    return Fit(part, "direct", {pin: pin + shift + move for pin, move in moves.items()})


def fit_through(seated: "Seated", identity: Identity) -> Fit:
    """Put the part into the socket on an adapter (`daemon.adapters.seating.seat`).

    The fit's part is the one in the adapter's package, or the bank of it that the switches select. Raises
    BenchError `part-does-not-fit` when the plug is not a DIP or has more pins than the socket.
    """
    plug, socket = printed_pins(seated.adapter.plug), identity.socket_pins
    if not seated.adapter.plug.startswith("DIP") or plug > socket or (socket - plug) % 2:
        raise BenchError(
            Code.PART_DOES_NOT_FIT,
            f"{seated.adapter.name} has the plug of a {seated.adapter.plug}; "
            f"this programmer takes DIP packages of up to {socket} pins",
            hint="Use a programmer with a larger socket, or another adapter.",
            field="adapter",
        )
    shift = (socket - plug) // 2
    return Fit(
        seated.part,
        seated.adapter.id,
        {pin: plug_pin + shift for pin, plug_pin in seated.plug_pins.items()},
        seated.read_only_because,
        seated,
    )


def describe(fit: Fit, identity: Identity) -> wire.PartDescriptor:
    """Return the descriptor of the part in this socket, for this programmer.

    What the programmer cannot do and a job can do without (the signature by ID voltage, programming supplies
    while it only looks) is left out or put at what can be made; programming asks for consent or refuses then.
    What no job can do without raises BenchError `programmer-cannot`, naming signal and pin. Through an
    adapter that lets the part only be read, nothing that writes is described.
    """
    part = fit.part
    signature = _signature(fit, identity)
    supplies = _supplies_here(part, identity)
    read_only = fit.read_only_because is not None
    erase_pulse = None if read_only else _erase_pulse(fit, identity)
    can_program = not read_only and (bool(supplies.vpp_program_mv) or not part.supplies.vpp_program_v)
    modes = [
        mode
        for mode in _SENT_MODES
        if mode in part.modes
        and (signature or mode is not Mode.SIGNATURE)
        and (can_program or mode not in (Mode.PROGRAM, Mode.VERIFY, Mode.INHIBIT))
        and not (read_only and mode is Mode.WRITE)
        and (erase_pulse or mode is not Mode.ERASE)
    ]
    controls = [pin for pin in _control_pins(part, modes) if pin in fit.socket_pins]
    levels = {mode: part.levels(mode) for mode in modes}
    descriptor = wire.PartDescriptor(
        geometry=wire.Geometry(
            width_bits=part.width_bits,
            semantics=_SEMANTICS[part.write.semantics] if part.write else wire.Semantics.CLEAR_ONLY,
            size_words=part.words,
            blank_word=int.from_bytes(bytes([part.blank_byte]) * part.word_bytes, "little"),
            access_ns=min(65535, round(part.slowest_access_ns)),
        ),
        address_pins=_to_socket(fit, part.address_pins),
        data_pins=_to_socket(fit, part.data_pins),
        control_pins=_to_socket(fit, controls),
        vcc_pins=_to_socket(fit, part.vcc_pins),
        ground_pins=_to_socket(fit, part.ground_pins),
        supplies=supplies,
        loop=_loop(part) if can_program else wire.Loop(wire.LoopKind.NONE, 0, 0, 0),
        modes={_MODES[mode]: tuple(_LEVELS[levels[mode][pin]] for pin in controls) for mode in modes},
        page=_page(part) if not read_only else None,
        erase=_erase(part) if not read_only else None,
        signature=signature,
        erase_pulse=erase_pulse,
        sequences=_sequences(part) if not read_only else {},
    )
    _check_pins(fit, identity, descriptor)
    return descriptor


def can_identify(fit: Fit, identity: Identity) -> bool:
    """Tell whether this programmer can read the signature of the part in this socket."""
    return _signature(fit, identity) is not None


def _to_socket(fit: Fit, pins: Iterable[int]) -> tuple[int, ...]:
    """Return the socket pins of these package pins, leaving out those that an adapter ties itself."""
    return tuple(fit.socket_pins[pin] for pin in pins if pin in fit.socket_pins)


def _control_pins(part: Part, modes: Iterable[Mode]) -> tuple[int, ...]:
    """Pins that the mode table speaks of; an address pin is one where some mode gives it a voltage."""
    special = {
        pin
        for mode in modes
        for pin, level in part.levels(mode).items()
        if pin in part.address_pins + part.data_pins and level not in (Level.ADDRESS, Level.DATA, Level.FLOAT)
    }
    return tuple(sorted({*part.control_pins, *special}))


def _signature(fit: Fit, identity: Identity) -> wire.Signature | None:
    part = fit.part
    method = part.signature.method
    if method is SignatureMethod.NONE:
        return None
    if method is SignatureMethod.ID_VOLTAGE:
        if Mode.SIGNATURE not in part.modes:
            return None
        needed = {pin for pin, level in part.levels(Mode.SIGNATURE).items() if level is Level.ID}
        reached = set(_to_socket(fit, needed)) <= identity.id_pins and needed <= set(fit.socket_pins)
        if Capability.ID_VOLTAGE not in identity.capabilities or not reached:
            return None
        return wire.Signature(wire.SignatureMethod.ID_VOLTAGE, 0, 1)
    if fit.read_only_because:
        return None
    return wire.Signature(wire.SignatureMethod.COMMAND, 0, 1)


def _mv(volts: float | None) -> int:
    return round((volts or 0) * 1000)


def _tolerance_mv(nominal_v: float | None, band: tuple[float, float] | None) -> int:
    if nominal_v is None or band is None:
        return _mv(_TOLERANCE_V)
    return max(_mv(min(nominal_v - band[0], band[1] - nominal_v)), 1)


def _supplies_here(part: Part, identity: Identity) -> wire.Supplies:
    """Return the supplies with those for programming replaced by what this programmer can make instead."""
    wanted = supplies_of(part)
    vcc_mv, vpp_mv = wanted.vcc_program_mv, wanted.vpp_program_mv
    if setting_for(identity.vcc, vcc_mv, wanted.vcc_tolerance_mv) is None:
        vcc_mv = wanted.vcc_read_mv
    if vpp_mv and setting_for(identity.vpp, vpp_mv, wanted.vpp_tolerance_mv) is None:
        vpp_mv = 0
    return replace(wanted, vcc_program_mv=vcc_mv, vpp_program_mv=vpp_mv)


def supplies_of(part: Part) -> wire.Supplies:
    """Return the supplies as the part's sheet wants them, in mV."""
    volts = part.supplies
    reads = [*volts.supply_checks_v]
    reads += [volts.vcc_read_v - volts.vcc_read_tolerance_v, volts.vcc_read_v + volts.vcc_read_tolerance_v]
    if part.erase.verify_v is not None:
        reads.append(part.erase.verify_v)
    return wire.Supplies(
        vcc_read_mv=_mv(volts.vcc_read_v),
        vcc_low_mv=_mv(min(reads)),
        vcc_high_mv=_mv(max(reads)),
        vcc_program_mv=_mv(volts.vcc_program_v or volts.vcc_read_v),
        vpp_program_mv=_mv(volts.vpp_program_v),
        id_mv=_mv(volts.id_v),
        vcc_tolerance_mv=_tolerance_mv(volts.vcc_program_v, volts.vcc_program_range_v),
        vpp_tolerance_mv=_tolerance_mv(volts.vpp_program_v, volts.vpp_program_range_v),
        vcc_max_mv=_mv(volts.vcc_abs_max_v),
        vpp_max_mv=_mv(volts.vpp_abs_max_v),
        id_max_mv=_mv(volts.id_abs_max_v),
    )


def _loop(part: Part) -> wire.Loop:
    write = part.write
    if write is None:
        return wire.Loop(wire.LoopKind.NONE, 0, 0, 0)
    return wire.Loop(
        kind=_loop_kind(write.loop),
        pulse_ns=round((write.pulse_us or 0) * 1000),
        max_pulses=min(255, write.max_pulses or 1),
        overprogram_factor=write.overprogram_factor,
    )


def _loop_kind(loop: Loop) -> wire.LoopKind:
    match loop:
        # A single pulse is the same loop with a limit of one: pulse, verify, and that was all.
        case Loop.VERIFY_EACH_PULSE | Loop.SINGLE_PULSE:
            return wire.LoopKind.VERIFY_EACH_PULSE
        case Loop.FIRST_PASS_THEN_VERIFY:
            return wire.LoopKind.FIRST_PASS_THEN_VERIFY
        case Loop.BYTE_WRITE:
            return wire.LoopKind.BYTE_WRITE
        case Loop.PAGE_WRITE:
            return wire.LoopKind.PAGE_WRITE
        case Loop.COMMAND:
            return wire.LoopKind.COMMAND
        case _:
            assert_never(loop)


def _page(part: Part) -> wire.Page | None:
    write = part.write
    if write is None or not write.write_cycle_us_max:
        return None
    return wire.Page(
        words=(write.page_bytes or part.word_bytes) // part.word_bytes,
        load_us=round(write.page_load_us_max or 0),
        cycle_us=round(write.write_cycle_us_max),
        polling=_POLLING[write.polling],
    )


def _erase(part: Part) -> wire.EraseTimes | None:
    commands = part.write.commands if part.write else {}
    if not {Command.CHIP_ERASE, Command.SECTOR_ERASE} & set(commands):
        return None
    return wire.EraseTimes(
        sector_words=part.sectors.size_bytes // part.word_bytes if part.sectors else 0,
        sector_ms=round(part.sectors.erase_ms_max) if part.sectors else 0,
        chip_ms=round(part.erase.chip_ms_max or 0),
    )


def _erase_pulse(fit: Fit, identity: Identity) -> wire.ErasePulse | None:
    """Return the pulse that erases the part, None where it has none or this programmer cannot make it."""
    part = fit.part
    volts = part.supplies
    if Mode.ERASE not in part.modes or volts.erase_v is None or not part.erase.pulse_ms:
        return None
    at_id = {pin for pin, level in part.levels(Mode.ERASE).items() if level is Level.ID}
    reached = set(_to_socket(fit, at_id)) <= identity.id_pins and at_id <= set(fit.socket_pins)
    tolerance_mv = _tolerance_mv(volts.erase_v, volts.erase_range_v)
    vpp = setting_for(identity.vpp, _mv(volts.erase_v), tolerance_mv)
    id_ = setting_for(identity.id, _mv(volts.erase_v), tolerance_mv)
    if Capability.ID_VOLTAGE not in identity.capabilities or not reached or vpp is None or id_ is None:
        return None
    return wire.ErasePulse(
        vcc_mv=_mv(volts.vcc_erase_v or volts.vcc_read_v),
        vpp_mv=vpp.mv,
        id_mv=id_.mv,
        pulse_us=round(part.erase.pulse_ms * 1000),
    )


def _sequences(part: Part) -> dict[wire.SequenceId, tuple[wire.Step, ...]]:
    commands = part.write.commands if part.write else {}
    return {
        _COMMANDS[name]: tuple(
            wire.Step(
                _STEP_ADDRESS.get(address, wire.StepAddress.LITERAL),
                wire.StepData.TARGET if data == Placeholder.DATA else wire.StepData.LITERAL,
                address if isinstance(address, int) else 0,
                data if isinstance(data, int) else 0,
            )
            for address, data in steps
        )
        for name, steps in commands.items()
    }


def _check_pins(fit: Fit, identity: Identity, descriptor: wire.PartDescriptor) -> None:
    """Compare the pins that each role needs with the programmer's masks, so that the refusal has names."""
    anywhere = identity.drive_pins | identity.vpp_pins | identity.vcc_pins
    given: dict[WireLevel, set[int]] = {}
    for levels in descriptor.modes.values():
        for pin, level in zip(descriptor.control_pins, levels, strict=True):
            given.setdefault(level, set()).add(pin)
    needs = (
        ("an address", {*descriptor.address_pins}, identity.drive_pins),
        ("data", {*descriptor.data_pins}, identity.drive_pins & identity.sense_pins),
        ("VCC", {*descriptor.vcc_pins}, identity.vcc_pins),
        ("ground", {*descriptor.ground_pins}, identity.ground_pins),
        ("VPP", given.get(WireLevel.VPP, set()), identity.vpp_pins),
        ("the ID voltage", given.get(WireLevel.ID, set()), identity.id_pins),
        ("a logic level", set().union(*(given.get(level, set()) for level in _LOGIC)), identity.drive_pins),
        ("VCC", given.get(WireLevel.VCC, set()), anywhere),
    )
    for role, wanted, possible in needs:
        for pin in sorted(wanted - possible):
            package_pin = fit.package_pin(pin)
            signal = fit.part.signal_of(package_pin) if package_pin else "no pin of it"
            raise BenchError(
                Code.PROGRAMMER_CANNOT,
                f"{fit.part.name} needs {role} on pin {package_pin} ({signal}), "
                f"which is socket pin {pin}; this programmer cannot put it there",
                hint="Use a programmer that lists this pin, or an adapter that moves it.",
                field="part",
                details={"package_pin": package_pin, "socket_pin": pin, "signal": signal},
            )


_LOGIC = (WireLevel.LOW, WireLevel.HIGH, WireLevel.PULSE_LOW, WireLevel.PULSE_HIGH)
_MODES = {mode: WireMode[mode.name] for mode in _SENT_MODES}
_LEVELS = {level: WireLevel[level.name] for level in Level}
_SEMANTICS = {semantics: wire.Semantics[semantics.name] for semantics in Semantics}
_POLLING = {polling: wire.Polling[polling.name] for polling in Polling}
_COMMANDS = {command: wire.SequenceId[command.name] for command in Command}
_STEP_ADDRESS: dict[object, wire.StepAddress] = {
    Placeholder.ADDRESS: wire.StepAddress.TARGET,
    Placeholder.SECTOR: wire.StepAddress.SECTOR,
}
