"""What a part must satisfy beyond its types: it agrees with itself and stays inside its absolute maxima.

Each check yields faults; none raises, so that the author of a part file sees all of them at once.
"""

import re
from collections import Counter
from collections.abc import Iterator
from typing import TYPE_CHECKING

from daemon.catalogue import checks_write, pins
from daemon.catalogue.faults import Fault as Fault
from daemon.catalogue.faults import missing
from daemon.catalogue.terms import PULSE_LOOPS, PULSES, Level, Mode, SignatureMethod

if TYPE_CHECKING:
    from daemon.catalogue.model import Part

_PULSED = frozenset({Mode.PROGRAM, Mode.WRITE, Mode.MARGIN_SET, Mode.MARGIN_RESET, Mode.ERASE})


def faults_of(part: "Part") -> Iterator[Fault]:
    """Yield everything wrong with `part`; a part whose pins are wrong is judged no further."""
    pin_faults = [*_pins(part)]
    yield from pin_faults
    if pin_faults:
        return
    for check in (
        _mode_names,
        _mode_levels,
        _modes_needed,
        _unused_pins,
        _also_in,
        _supplies,
        checks_write.write_faults,
        checks_write.command_faults,
        checks_write.erase_faults,
        checks_write.signature_faults,
        _sources,
    ):
        yield from check(part)


# Pins


def printed_pins(package: str) -> int:
    """Return the number of pins in the name of a package: 28 of DIP28."""
    return int(re.sub(r"\D", "", package))


def _pins(part: "Part") -> Iterator[Fault]:
    if len(part.pins) != printed_pins(part.package):
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
        wanted = mode in _PULSED
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


# Boards and packages


def _unused_pins(part: "Part") -> Iterator[Fault]:
    read = part.modes.get(Mode.READ, {})
    plain = {*part.address_pins, *part.data_pins, *part.vcc_pins, *part.ground_pins}
    free = sorted({name for i, name in enumerate(part.pins, 1) if i not in plain})
    for name in part.unused_pins:
        key = f"unused_pins.{name}"
        if name not in free:
            reason = "is no pin of this package, or one that reading needs"
            yield Fault(key, reason, name, tuple(free))
        elif read.get(name) is Level.LOW:
            yield Fault(key, f"reading needs {name} low, so a board cannot leave it out")


def _also_in(part: "Part") -> Iterator[Fault]:
    for package, names in part.also_in.items():
        key = f"also_in.{package}"
        if package == part.package:
            yield Fault(key, "is the package that the part is described in already")
        elif len(names) != printed_pins(package):
            yield Fault(key, f"{len(names)} pins are named but the package is {package}")
        lost = _signals(part.pins) - _signals(names)
        new = _signals(names) - _signals(part.pins)
        if lost or new:
            told = [f"lacks {', '.join(sorted(lost))}"] if lost else []
            told += [f"has {', '.join(sorted(new))} besides"] if new else []
            yield Fault(key, f"does not carry the signals of the {part.package}: {' and '.join(told)}")


def _signals(names: tuple[str, ...]) -> Counter[str]:
    """Count the pins that lead anywhere; supplies count once, since packages differ in how many they have."""
    counted = Counter(name for name in names if not pins.is_idle(name))
    return Counter({name: 1 if name == "VCC" or pins.is_ground(name) else n for name, n in counted.items()})


# Supplies

_VOLTS_AND_LIMITS = (
    ("vcc_program", ("vcc",)),
    ("vpp_program", ("vpp",)),
    ("id", ("id",)),
    ("vcc_erase", ("vcc",)),
    ("erase", ("vpp", "id")),
)


def _supplies(part: "Part") -> Iterator[Fault]:
    supplies = part.supplies
    used = {level for table in part.modes.values() for level in table.values()}
    if Level.VPP in used:
        yield from missing(part, "supplies", ("vcc_program_v", "vpp_program_v", "vpp_abs_max_v"))
    if Level.ID in used:
        yield from missing(part, "supplies", ("id_v", "id_abs_max_v"))
    for front, limit_names in _VOLTS_AND_LIMITS:
        value, band = getattr(supplies, f"{front}_v"), getattr(supplies, f"{front}_range_v", None)
        if value is not None and band and not band[0] <= value <= band[1]:
            yield Fault(f"supplies.{front}_v", f"{value} V lies outside its range {band[0]} to {band[1]} V")
        top = max((volts for volts in (value, *(band or ())) if volts is not None), default=0.0)
        limits = [getattr(supplies, f"{name}_abs_max_v") for name in limit_names]
        limit = min((volts for volts in limits if volts is not None), default=None)
        if limit is not None and top > limit:
            yield Fault(f"supplies.{front}_v", f"{top} V is over the absolute maximum of {limit} V")
    highest = max(supplies.vcc_read_v + supplies.vcc_read_tolerance_v, *supplies.supply_checks_v)
    if highest > supplies.vcc_abs_max_v:
        reason = f"reading at {highest:g} V is over the absolute maximum of {supplies.vcc_abs_max_v} V"
        yield Fault("supplies.supply_checks_v", reason)
    if supplies.vcc_read_tolerance_v >= supplies.vcc_read_v:
        yield Fault("supplies.vcc_read_tolerance_v", "is as large as the supply itself")


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
