"""How a part is written, erased and identified must agree with what it is."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

from daemon.catalogue.faults import Fault, missing
from daemon.catalogue.terms import (
    PULSE_LOOPS,
    Command,
    EraseMethod,
    Kind,
    Loop,
    Mode,
    Placeholder,
    Semantics,
    SignatureMethod,
)

if TYPE_CHECKING:
    from daemon.catalogue.model import Part, Step, Write


# Writing

_LOOP_SEMANTICS = {
    Loop.BYTE_WRITE: (Semantics.OVERWRITE,),
    Loop.PAGE_WRITE: (Semantics.OVERWRITE,),
    Loop.COMMAND: (Semantics.ERASE_FIRST, Semantics.CLEAR_ONLY),
} | dict.fromkeys(PULSE_LOOPS, (Semantics.CLEAR_ONLY,))


def write_faults(part: "Part") -> Iterator[Fault]:
    """Yield what is wrong with the loop, its pulses and its pages."""
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
        yield from missing(part, "write", ("pulse_us", "max_pulses"))
        yield from _pulses(write)
    else:
        yield from missing(part, "write", ("write_cycle_us_max",))
        for name in ("pulse_us", "pulse_range_us", "max_pulses", "overprogram_factor"):
            if getattr(write, name):
                yield Fault(f"write.{name}", f"has no meaning in a {write.loop} loop")
    if write.write_cycle_us_typ and write.write_cycle_us_typ > (write.write_cycle_us_max or 0):
        yield Fault("write.write_cycle_us_typ", "is over the longest time, write_cycle_us_max")
    if write.loop is Loop.PAGE_WRITE:
        yield from missing(part, "write", ("page_bytes", "page_load_us_max"))
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


def command_faults(part: "Part") -> Iterator[Fault]:
    """Yield what is wrong with the command sequences, and which ones are missing."""
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


def erase_faults(part: "Part") -> Iterator[Fault]:
    """Yield what is wrong with the way back to blank."""
    erase = part.erase
    allowed = _ERASED_BY[part.kind]
    if erase.method not in allowed:
        reason = f"a {part.kind} is erased by {' or '.join(allowed)}, not {erase.method}"
        yield Fault("erase.method", reason, erase.method, allowed)
    if (erase.dose_j_per_cm2 is None) == (erase.method is EraseMethod.UV):
        uv = erase.method is EraseMethod.UV
        yield Fault("erase.dose_j_per_cm2", "is missing" if uv else "is for parts erased by UV only")
    if erase.method is EraseMethod.ELECTRICAL:
        commands = set(part.write.commands if part.write else ())
        if not {Command.CHIP_ERASE, Command.SECTOR_ERASE} & commands and Mode.ERASE not in part.modes:
            yield Fault(
                "erase.method",
                "electrical needs a chip-erase or a sector-erase command sequence, or an erase mode",
            )
        if Command.CHIP_ERASE in commands or Mode.ERASE in part.modes:
            yield from missing(part, "erase", ("chip_ms_max",))
    yield from _erase_pulse(part)
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


def _erase_pulse(part: "Part") -> Iterator[Fault]:
    """Parts erased by high voltage: the mode, its pulse and its supplies come together."""
    erase = part.erase
    if Mode.ERASE not in part.modes:
        for name in ("pulse_ms", "pulse_range_ms", "max_pulses", "verify_v"):
            if getattr(erase, name) is not None:
                yield Fault(f"erase.{name}", "is for parts with an erase mode, and modes.erase is missing")
        return
    if erase.method is not EraseMethod.ELECTRICAL:
        yield Fault("modes.erase", f"is for parts erased electrically; this one is erased by {erase.method}")
    yield from missing(part, "erase", ("pulse_ms", "max_pulses"))
    yield from missing(part, "supplies", ("erase_v", "vcc_erase_v"))
    pulse_ms, band = erase.pulse_ms, erase.pulse_range_ms
    if pulse_ms and band and not band[0] <= pulse_ms <= band[1]:
        reason = f"{pulse_ms:g} ms lies outside its range {band[0]:g} to {band[1]:g} ms"
        yield Fault("erase.pulse_ms", reason)
    longest_ms = (pulse_ms or 0) * (erase.max_pulses or 1)
    if erase.chip_ms_max and erase.chip_ms_max < longest_ms:
        reason = f"{erase.chip_ms_max:g} ms is less than the {longest_ms:g} ms of all pulses allowed"
        yield Fault("erase.chip_ms_max", reason)
    if erase.verify_v and erase.verify_v > part.supplies.vcc_abs_max_v:
        reason = f"{erase.verify_v} V is over the absolute maximum of {part.supplies.vcc_abs_max_v} V"
        yield Fault("erase.verify_v", reason)


def signature_faults(part: "Part") -> Iterator[Fault]:
    """Yield codes without a method, methods without codes, and codes that do not fit."""
    signature = part.signature
    for name in ("maker", "device"):
        code = getattr(signature, name)
        if (code is None) != (signature.method is SignatureMethod.NONE):
            yield Fault(f"signature.{name}", "is missing" if code is None else "needs a method to read it by")
        elif code is not None and code >= 1 << part.width_bits:
            yield Fault(f"signature.{name}", f"{code:#x} does not fit {part.width_bits} bits")
