"""What a part must satisfy beyond its types: it agrees with itself and stays inside its absolute maxima.

Each check yields faults; none raises, so that the author of a part file sees all of them at once.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.catalogue import pins
from daemon.catalogue.terms import (
    PULSE_LOOPS,
    PULSES,
    Command,
    EraseMethod,
    Kind,
    Level,
    Loop,
    Mode,
    Placeholder,
    Semantics,
    SignatureMethod,
)

if TYPE_CHECKING:
    from daemon.catalogue.model import Part, Step, Write


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with a part: dotted key, reason, and the words that would have been valid there."""

    key: str
    reason: str
    given: str = ""
    choices: tuple[str, ...] = ()


def faults_of(part: "Part") -> Iterator[Fault]:
    """Yield everything wrong with `part`; a part whose pins are wrong is judged no further."""
    pin_faults = [*_pins(part)]
    yield from pin_faults
    if pin_faults:
        return
    for check in (_mode_names, _mode_levels, _modes_needed, _supplies, _write, _commands, _erase, _signature):
        yield from check(part)
    yield from _sources(part)


# Pins


def _pins(part: "Part") -> Iterator[Fault]:
    printed = int(re.sub(r"\D", "", part.package))
    if len(part.pins) != printed:
        yield Fault("pins", f"{len(part.pins)} pins are named but the package is {part.package}")
    yield from _numbered(part, "A", "address", part.address_bits)
    yield from _numbered(part, "D", "data", part.width_bits)
    for signal in ("VCC", "VPP"):
        if len(part.pin_numbers(signal)) > 1:
            yield Fault("pins", f"{signal} is on more than one pin")
    if not part.pin_numbers("VCC"):
        yield Fault("pins", "no pin is VCC")
    if not any(pins.is_ground(name) for name in part.pins):
        yield Fault("pins", "no pin is GND")


def _numbered(part: "Part", letter: str, what: str, needed: int) -> Iterator[Fault]:
    found = pins.numbered(part.pins, letter)
    for bit in range(needed):
        count = len(found.get(bit, ()))
        if count != 1:
            where = "no pin" if not count else "pins " + " and ".join(map(str, found[bit]))
            yield Fault("pins", f"{what} signal {letter}{bit} is on {where}; it needs exactly one")
    for bit in sorted(set(found) - set(range(needed))):
        reason = f"pin {found[bit][0]} is {letter}{bit}, but the part has {needed} {what} bits"
        yield Fault("pins", reason)


# Modes


def _controls(part: "Part") -> tuple[str, ...]:
    """Names of the pins a mode table must speak about: all but power, address, data and idle pins."""
    plain = {*part.address_pins, *part.data_pins, *part.vcc_pins, *part.ground_pins}
    return tuple(n for i, n in enumerate(part.pins, 1) if i not in plain and not pins.is_idle(n))


def _mode_names(part: "Part") -> Iterator[Fault]:
    controls = _controls(part)
    for mode, table in part.modes.items():
        key = f"modes.{mode}"
        for name in table:
            if name not in part.pins:
                meant = tuple(pin for pin in part.pins if name in pins.jobs_of(pin)) or part.pins
                yield Fault(key, f"the package has no pin named {name}", name, meant)
            elif name == "VCC" or pins.is_ground(name):
                yield Fault(key, f"{name} is a supply pin and has no level of its own")
            elif len(part.pin_numbers(name)) > 1:
                yield Fault(key, f"more than one pin carries {name}, so it cannot be given a level")
        for name in controls:
            if name not in table:
                yield Fault(key, f"says nothing about {name}; every control pin needs a level in every mode")


def _mode_levels(part: "Part") -> Iterator[Fault]:
    """Keep high voltages to the pins made for them, and pulses to the modes that have one."""
    address = {part.signal_of(pin) for pin in part.address_pins}
    data = {part.signal_of(pin) for pin in part.data_pins}
    vpp = {part.signal_of(pin) for pin in part.vpp_pins}
    homes = {
        Level.VPP: (vpp, "a pin that carries VPP"),
        Level.VCC: (vpp, "a pin that carries VPP"),
        Level.ID: ({"A9"} & address, "A9"),
        Level.ADDRESS: (address, "an address pin"),
        Level.DATA: (data, "a data pin"),
    }
    for mode, table in part.modes.items():
        for name, level in table.items():
            home = homes.get(level)
            if name in part.pins and home and name not in home[0]:
                yield Fault(f"modes.{mode}", f"{name} is given {level}, which only {home[1]} may have")
        pulsed = [name for name, level in table.items() if level in PULSES]
        wanted = mode in (Mode.PROGRAM, Mode.WRITE, Mode.MARGIN_SET, Mode.MARGIN_RESET)
        if len(pulsed) != wanted:
            yield Fault(f"modes.{mode}", f"has {len(pulsed)} pulsed pins; it needs {int(wanted)}")
        if mode in (Mode.STANDBY, Mode.READ, Mode.SIGNATURE, Mode.WRITE) and Level.VPP in table.values():
            yield Fault(f"modes.{mode}", "applies VPP, which belongs to the programming modes only")
        if mode in (Mode.STANDBY, Mode.READ, Mode.WRITE) and Level.ID in table.values():
            yield Fault(
                f"modes.{mode}", "applies the ID voltage, which belongs to signature and margin modes"
            )


def _modes_needed(part: "Part") -> Iterator[Fault]:
    needed = {Mode.STANDBY, Mode.READ}
    if part.write:
        needed |= (
            {Mode.PROGRAM, Mode.VERIFY, Mode.INHIBIT} if part.write.loop in PULSE_LOOPS else {Mode.WRITE}
        )
    if part.signature.method is SignatureMethod.ID_VOLTAGE:
        needed.add(Mode.SIGNATURE)
    for mode in Mode:
        if mode in needed and mode not in part.modes:
            yield Fault(f"modes.{mode}", "is missing, and this part needs it")
    if Mode.SIGNATURE in part.modes:
        if part.signature.method is not SignatureMethod.ID_VOLTAGE:
            yield Fault("modes.signature", "is for parts whose signature method is id-voltage")
        elif part.modes[Mode.SIGNATURE].get("A9") is not Level.ID:
            yield Fault("modes.signature", "must put the ID voltage on A9")
    if (Mode.MARGIN_SET in part.modes) != (Mode.MARGIN_RESET in part.modes):
        yield Fault("modes", "margin-set and margin-reset come together or not at all")


# Supplies


def _supplies(part: "Part") -> Iterator[Fault]:
    supplies = part.supplies
    used = {level for table in part.modes.values() for level in table.values()}
    if Level.VPP in used:
        yield from _needed(part, "supplies", ("vcc_program_v", "vpp_program_v", "vpp_abs_max_v"))
    if Level.ID in used:
        yield from _needed(part, "supplies", ("id_v", "id_abs_max_v"))
    for front, limit_name in (("vcc_program", "vcc"), ("vpp_program", "vpp"), ("id", "id")):
        value, band = getattr(supplies, f"{front}_v"), getattr(supplies, f"{front}_range_v")
        limit = getattr(supplies, f"{limit_name}_abs_max_v")
        if value is not None and band and not band[0] <= value <= band[1]:
            yield Fault(f"supplies.{front}_v", f"{value} V lies outside its range {band[0]} to {band[1]} V")
        top = max((volts for volts in (value, *(band or ())) if volts is not None), default=0.0)
        if limit is not None and top > limit:
            reason = f"{top} V is over the absolute maximum of {limit} V"
            yield Fault(f"supplies.{front}_v", reason)
    highest = max(supplies.vcc_read_v + supplies.vcc_read_tolerance_v, *supplies.supply_checks_v)
    if highest > supplies.vcc_abs_max_v:
        reason = f"reading at {highest:g} V is over the absolute maximum of {supplies.vcc_abs_max_v} V"
        yield Fault("supplies.supply_checks_v", reason)
    if supplies.vcc_read_tolerance_v >= supplies.vcc_read_v:
        yield Fault("supplies.vcc_read_tolerance_v", "is as large as the supply itself")


def _needed(part: "Part", table: str, names: Iterable[str]) -> Iterator[Fault]:
    for name in names:
        if getattr(getattr(part, table), name) is None:
            yield Fault(f"{table}.{name}", "is missing, and this part needs it")


# Writing

_LOOP_SEMANTICS = {
    Loop.BYTE_WRITE: (Semantics.OVERWRITE,),
    Loop.PAGE_WRITE: (Semantics.OVERWRITE,),
    Loop.COMMAND: (Semantics.ERASE_FIRST, Semantics.CLEAR_ONLY),
} | dict.fromkeys(PULSE_LOOPS, (Semantics.CLEAR_ONLY,))


def _write(part: "Part") -> Iterator[Fault]:
    write = part.write
    if (write is None) != (part.kind is Kind.MASK_ROM):
        yield Fault("write", "is missing" if write is None else "a mask ROM cannot be written")
    if write is None:
        return
    allowed = _LOOP_SEMANTICS[write.loop]
    if write.semantics not in allowed:
        reason = f"a {write.loop} part is {' or '.join(allowed)}, not {write.semantics}"
        yield Fault("write.semantics", reason, write.semantics, allowed)
    if write.loop in PULSE_LOOPS:
        yield from _needed(part, "write", ("pulse_us", "max_pulses"))
        yield from _pulses(write)
    else:
        yield from _needed(part, "write", ("write_cycle_us_max",))
        for name in ("pulse_us", "pulse_range_us", "max_pulses", "overprogram_factor"):
            if getattr(write, name):
                yield Fault(f"write.{name}", f"has no meaning in a {write.loop} loop")
    if write.write_cycle_us_typ and write.write_cycle_us_typ > (write.write_cycle_us_max or 0):
        yield Fault("write.write_cycle_us_typ", "is over the longest time, write_cycle_us_max")
    if write.loop is Loop.PAGE_WRITE:
        yield from _needed(part, "write", ("page_bytes", "page_load_us_max"))
        if write.page_bytes and part.size_bytes % write.page_bytes:
            yield Fault("write.page_bytes", f"{part.size_bytes} bytes are no whole number of pages")


def _pulses(write: "Write") -> Iterator[Fault]:
    band = write.pulse_range_us
    if band and write.pulse_us and not band[0] <= write.pulse_us <= band[1]:
        reason = f"{write.pulse_us:g} us lies outside its range {band[0]:g} to {band[1]:g} us"
        yield Fault("write.pulse_us", reason)
    if write.loop is Loop.SINGLE_PULSE and (write.max_pulses or 1) != 1:
        yield Fault("write.max_pulses", f"a single-pulse part gets 1 pulse, not {write.max_pulses}")
    if write.loop is not Loop.VERIFY_EACH_PULSE and write.overprogram_factor:
        yield Fault("write.overprogram_factor", "belongs to the verify-each-pulse loop only")


_PLACES = {
    Command.PROGRAM: {Placeholder.ADDRESS, Placeholder.DATA},
    Command.SECTOR_ERASE: {Placeholder.SECTOR},
}


def _commands(part: "Part") -> Iterator[Fault]:
    commands = part.write.commands if part.write else {}
    for name, steps in commands.items():
        key = f"write.commands.{name}"
        for step in steps:
            yield from _step(part, key, step)
        used = {value for step in steps for value in step if isinstance(value, Placeholder)}
        wanted = _PLACES.get(name, set())
        if used != wanted:
            yield Fault(key, f"must use {_listed(wanted)} and uses {_listed(used)}")
    needed: set[Command] = set()
    if part.write and part.write.loop is Loop.COMMAND:
        needed.add(Command.PROGRAM)
    if part.write and part.write.lockable:
        needed |= {Command.LOCK, Command.UNLOCK}
    if part.signature.method is SignatureMethod.COMMAND:
        needed |= {Command.ID_ENTER, Command.ID_EXIT}
    if part.sectors:
        needed.add(Command.SECTOR_ERASE)
    for name in sorted(needed - set(commands)):
        yield Fault(f"write.commands.{name}", "is missing, and this part needs it")


def _step(part: "Part", key: str, step: "Step") -> Iterator[Fault]:
    if step.address is Placeholder.DATA or step.data in (Placeholder.ADDRESS, Placeholder.SECTOR):
        yield Fault(key, 'steps are [address, data]: "address" or "sector" first, "data" second')
    if isinstance(step.address, int) and step.address >= part.words:
        yield Fault(key, f"address {step.address:#x} is outside the part's {part.words:#x} words")
    if isinstance(step.data, int) and step.data >= 1 << part.width_bits:
        yield Fault(key, f"data {step.data:#x} does not fit {part.width_bits} bits")


def _listed(names: set[Placeholder]) -> str:
    return " and ".join(sorted(names)) or "no placeholder"


# Erasing and identifying

_ERASED_BY = {
    Kind.UV_EPROM: (EraseMethod.UV,),
    Kind.OTP_EPROM: (EraseMethod.NONE,),
    Kind.MASK_ROM: (EraseMethod.NONE,),
    Kind.FLASH: (EraseMethod.ELECTRICAL,),
    Kind.EEPROM: (EraseMethod.NONE, EraseMethod.ELECTRICAL),
    Kind.EE_EPROM: (EraseMethod.NONE, EraseMethod.ELECTRICAL),
}


def _erase(part: "Part") -> Iterator[Fault]:
    erase = part.erase
    allowed = _ERASED_BY[part.kind]
    if erase.method not in allowed:
        reason = f"a {part.kind} is erased by {' or '.join(allowed)}, not {erase.method}"
        yield Fault("erase.method", reason, erase.method, allowed)
    if (erase.dose_j_per_cm2 is None) == (erase.method is EraseMethod.UV):
        uv = erase.method is EraseMethod.UV
        yield Fault("erase.dose_j_per_cm2", "is missing" if uv else "is for parts erased by UV only")
    commands = part.write.commands if part.write else {}
    if erase.method is EraseMethod.ELECTRICAL:
        if not {Command.CHIP_ERASE, Command.SECTOR_ERASE} & set(commands):
            yield Fault("erase.method", "electrical needs a chip-erase or a sector-erase command sequence")
        if Command.CHIP_ERASE in commands:
            yield from _needed(part, "erase", ("chip_ms_max",))
    if (
        part.write
        and part.write.semantics is Semantics.ERASE_FIRST
        and erase.method is not EraseMethod.ELECTRICAL
    ):
        yield Fault("erase.method", "a part written erase-first must be erasable electrically")
    if erase.chip_ms_typ and erase.chip_ms_typ > (erase.chip_ms_max or 0):
        yield Fault("erase.chip_ms_typ", "is over the longest time, chip_ms_max")
    if part.sectors:
        if part.size_bytes % part.sectors.size_bytes:
            yield Fault("sectors.size_bytes", f"{part.size_bytes} bytes are no whole number of sectors")
        if part.sectors.erase_ms_typ > part.sectors.erase_ms_max:
            yield Fault("sectors.erase_ms_typ", "is over the longest time, erase_ms_max")


def _signature(part: "Part") -> Iterator[Fault]:
    signature = part.signature
    for name in ("maker", "device"):
        code = getattr(signature, name)
        if (code is None) != (signature.method is SignatureMethod.NONE):
            yield Fault(f"signature.{name}", "is missing" if code is None else "needs a method to read it by")
        elif code is not None and code >= 1 << part.width_bits:
            yield Fault(f"signature.{name}", f"{code:#x} does not fit {part.width_bits} bits")


def _sources(part: "Part") -> Iterator[Fault]:
    """Every entry of `src` must speak for a value that is there."""
    keys = {"default", *part.values}
    for key in part.values:
        while "." in key:
            key = key.rpartition(".")[0]
            keys.add(key)
    for key in part.src:
        if key not in keys:
            yield Fault(f"src.{key}", "there is no such value in this part", key, tuple(sorted(keys)))
