"""Asking a chip for its name: which candidates have one, how each is asked, what that risks for others."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from daemon.catalogue.model import Part
from daemon.catalogue.terms import Command, Kind, Level, Mode, SignatureMethod
from daemon.drawer.sight import Candidate
from protocol import descriptor as wire
from protocol.identity import Identity
from protocol.wire import Capability
from protocol.wire import Mode as WireMode

_MODES = frozenset({WireMode.STANDBY, WireMode.READ, WireMode.SIGNATURE, WireMode.WRITE})
_SEQUENCES = frozenset({wire.SequenceId.ID_ENTER, wire.SequenceId.ID_EXIT})


@dataclass(frozen=True, slots=True)
class Way:
    """One way to ask: `part` is what the programmer is told of, `members` all who would answer to it."""

    part: Part
    members: tuple[Part, ...]


def ways_to_ask(parts: Iterable[Part], method: SignatureMethod) -> tuple[Way, ...]:
    """Return the different ways in which these parts are asked by one method, in their order.

    Of parts that are asked alike the one that stands the least ID voltage is told to the programmer.
    """
    groups: dict[object, list[Part]] = {}
    for part in parts:
        if part.signature.method is method:
            groups.setdefault(_how(part), []).append(part)
    ways = []
    for members in groups.values():
        weakest = min(members, key=lambda part: part.supplies.id_abs_max_v or 0.0)
        ways.append(Way(weakest, tuple(members)))
    return tuple(ways)


def _how(part: Part) -> object:
    mode = Mode.SIGNATURE if Mode.SIGNATURE in part.modes else Mode.WRITE
    commands = part.write.commands if part.write else {}
    asked = tuple(commands.get(name, ()) for name in (Command.ID_ENTER, Command.ID_EXIT))
    return part.address_pins, part.data_pins, tuple(sorted(part.levels(mode).items())), asked


def able(identity: Identity, method: SignatureMethod) -> bool:
    """Tell whether a programmer can ask so."""
    needed = Capability.ID_VOLTAGE if method is SignatureMethod.ID_VOLTAGE else Capability.COMMANDS
    return needed in identity.capabilities


def only_asking(part: wire.PartDescriptor) -> wire.PartDescriptor:
    """Return a descriptor by which a chip can be read and asked for its name, and nothing else."""
    return replace(
        part,
        loop=wire.Loop(wire.LoopKind.NONE, 0, 0, 0),
        supplies=replace(part.supplies, vpp_program_mv=0, vcc_program_mv=part.supplies.vcc_read_mv),
        modes={mode: levels for mode, levels in part.modes.items() if mode in _MODES},
        sequences={name: steps for name, steps in part.sequences.items() if name in _SEQUENCES},
        erase=None,
    )


def hurt_by_id_voltage(candidates: Sequence[Candidate], ways: Sequence[Way]) -> tuple[Part, ...]:
    """Return the candidates that the ID voltage could destroy: where it lands on a pin not made for it."""
    pins = {
        pin for way in ways for pin, level in way.part.levels(Mode.SIGNATURE).items() if level is Level.ID
    }
    return tuple(
        each.part
        for each in candidates
        if any(pin not in each.part.pin_numbers("A9") or not each.part.supplies.id_abs_max_v for pin in pins)
    )


def altered_by_write_cycles(candidates: Sequence[Candidate], ways: Sequence[Way]) -> tuple[Part, ...]:
    """Return the candidates that would take the write cycles as data: those written without a command."""
    return tuple(
        each.part
        for each in candidates
        if each.part.kind is Kind.EEPROM and any(_takes_writes(each.part, way.part) for way in ways)
    )


def _takes_writes(part: Part, asked_as: Part) -> bool:
    given, wanted = asked_as.levels(Mode.WRITE), part.levels(Mode.WRITE)
    return all(given[pin] is wanted[pin] for pin in part.control_pins if wanted[pin] is not Level.FLOAT)
