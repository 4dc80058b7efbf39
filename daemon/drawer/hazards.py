"""What reading a chip the wrong way would do to it, pin by pin."""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import IntEnum

from daemon.catalogue.model import Part
from daemon.catalogue.pins import is_idle, jobs_of
from daemon.catalogue.terms import Level, Mode, Unused
from daemon.drawer.trials import Drive, Feed, Trial

_GATE = re.compile(r"(CE|OE|CS|PD)\d*")
_SUPPLY_TOLERANCE_V = 0.25


class Severity(IntEnum):
    """How bad it is."""

    OPEN_INPUT = 1
    """An input is left open, or a signal stands on an output that rests: no harm, but nothing is certain."""
    SUPPLY_ON_RESTING = 2
    """VCC on an output that pulls low only while the chip is busy."""
    CONFLICT = 3
    """Two outputs against each other, or a chip fed through its inputs: only under a current limit, last."""
    FORBIDDEN = 4
    """It could destroy the chip or alter its content."""


@dataclass(frozen=True, slots=True)
class Hazard:
    """One thing that a trial would do to a part; `pin` is the package's."""

    severity: Severity
    pin: int
    words: str


def hazards(trial: Trial, part: Part) -> tuple[Hazard, ...]:
    """Return what reading by `trial` would do to a chip of this part, the worst first; none for its own."""
    found = [*_over_voltage(trial, part), *_could_write(trial, part)]
    for pin, drive in trial.drives.items():
        found += _at_pin(part, pin, drive)
    return tuple(sorted(found, key=lambda each: -each.severity))


def worst(trial: Trial, parts: Iterable[Part]) -> tuple[Severity | None, Part | None, tuple[Hazard, ...]]:
    """Return the worst severity for any of the parts, which part that is, and all that it would suffer."""
    top: tuple[Severity | None, Part | None, tuple[Hazard, ...]] = (None, None, ())
    for part in parts:
        found = hazards(trial, part)
        if found and (top[0] is None or (found[0].severity, len(found)) > (top[0], len(top[2]))):
            top = found[0].severity, part, found
    return top


def is_gate(name: str) -> bool:
    """Tell whether a pin of this name switches the outputs on and off: chip enable, output enable, select."""
    return any(_GATE.fullmatch(piece) for job in jobs_of(name) for piece in job.split("/") if piece)


def _at_pin(part: Part, pin: int, drive: Drive) -> Iterator[Hazard]:
    name = part.signal_of(pin)
    signal = drive.feed in (Feed.LOW, Feed.HIGH, Feed.ADDRESS)
    supply = drive.feed in (Feed.VCC, Feed.GROUND)
    what = {Feed.VCC: "VCC", Feed.GROUND: "ground"}.get(drive.feed, "a signal")
    if pin in part.ground_pins:
        if drive.feed is Feed.VCC:
            yield Hazard(Severity.FORBIDDEN, pin, f"VCC on ground pin {pin}")
        elif drive.feed is not Feed.GROUND:
            yield Hazard(Severity.CONFLICT, pin, f"{what} on ground pin {pin}")
    elif pin in part.vcc_pins:
        if drive.feed is Feed.GROUND:
            yield Hazard(Severity.FORBIDDEN, pin, f"ground on VCC pin {pin}")
        elif drive.feed is not Feed.VCC:
            yield Hazard(
                Severity.CONFLICT, pin, f"no supply on VCC pin {pin}, and current through its inputs"
            )
    elif pin in part.data_pins:
        if signal or supply:
            yield Hazard(Severity.CONFLICT, pin, f"{what} on output {name} (pin {pin})")
    elif is_idle(name):
        if part.unused(pin) is Unused.OPEN and drive.feed is not Feed.OPEN:
            bad = Severity.SUPPLY_ON_RESTING if supply else Severity.OPEN_INPUT
            yield Hazard(bad, pin, f"{what} on output {name} (pin {pin}), which rests during a read")
    elif drive.feed is Feed.OPEN:
        yield Hazard(Severity.OPEN_INPUT, pin, f"input {name} (pin {pin}) left open")


def _over_voltage(trial: Trial, part: Part) -> Iterator[Hazard]:
    given_v, most_v = trial.part.supplies.vcc_read_v + _SUPPLY_TOLERANCE_V, part.supplies.vcc_abs_max_v
    if given_v > most_v and part.vcc_pins:
        words = f"{trial.part.supplies.vcc_read_v:g} V on a chip that stands {most_v:g} V"
        yield Hazard(Severity.FORBIDDEN, part.vcc_pins[0], words)


def _could_write(trial: Trial, part: Part) -> Iterator[Hazard]:
    """Find a write cycle that the pins would happen to ask for, of a part with a write enable."""
    if Mode.WRITE not in part.modes:
        return
    levels = {pin: level for pin, level in part.levels(Mode.WRITE).items() if pin in part.control_pins}
    if all(_can_be(trial.drives[pin], level) for pin, level in levels.items()):
        pulsed = next((pin for pin, level in levels.items() if level is Level.PULSE_LOW), 0)
        name = part.signal_of(pulsed) if pulsed else "its write enable"
        words = f"a low {name} (pin {pulsed}) while its outputs are off, which writes to it"
        yield Hazard(Severity.FORBIDDEN, pulsed, words)


def _can_be(drive: Drive, level: Level) -> bool:
    match level:
        case Level.LOW | Level.PULSE_LOW:
            return drive.constant is not True
        case Level.HIGH | Level.PULSE_HIGH | Level.VCC:
            return drive.constant is not False
        case _:
            return True
