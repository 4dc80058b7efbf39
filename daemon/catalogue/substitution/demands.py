"""What each pin of a chip needs while it is read."""

from dataclasses import dataclass
from enum import StrEnum

from daemon.catalogue import pins
from daemon.catalogue.model import Part
from daemon.catalogue.terms import Level, Mode, Unused


class Needs(StrEnum):
    """What one pin needs."""

    ADDRESS = "address"
    DATA = "data"
    SUPPLY = "supply"
    GROUND = "ground"
    LOW = "low"
    HIGH = "high"
    LEVEL = "level"
    """Any level or signal, not open."""
    TIED = "tied"
    """VCC or ground."""
    OPEN = "open"
    ANY = "any"


@dataclass(frozen=True, slots=True)
class Demand:
    """The need of one pin.

    `bit` numbers address and data pins; in byte mode address bit 0 is A-1. `gates` marks pins whose other
    level silences the chip, `writes` the one whose low level starts a write, `draws` the one that must be at
    the supply itself because it takes current from it (VPP).
    """

    needs: Needs
    bit: int = 0
    gates: bool = False
    writes: bool = False
    draws: bool = False


def demands_of(part: Part, *, byte_mode: bool = False) -> dict[int, Demand]:
    """Return package pin -> need for every pin, in word mode or, for a part that has it, byte mode."""
    return {pin: _demand(part, pin, byte_mode) for pin in range(1, len(part.pins) + 1)}


def _demand(part: Part, pin: int, byte_mode: bool) -> Demand:
    jobs = pins.jobs_of(part.signal_of(pin))
    if pin in part.address_pins:
        return Demand(Needs.ADDRESS, part.address_pins.index(pin) + byte_mode)
    if byte_mode and "A-1" in jobs:
        return Demand(Needs.ADDRESS, 0)
    if pin in part.data_pins:
        bit = part.data_pins.index(pin)
        # In byte mode the upper outputs are off, so whatever stands there does no harm.
        return Demand(Needs.ANY) if byte_mode and bit >= 8 else Demand(Needs.DATA, bit)
    if pin in part.vcc_pins:
        return Demand(Needs.SUPPLY)
    if pin in part.ground_pins:
        return Demand(Needs.GROUND)
    unused = part.unused(pin)
    if unused is not None:
        return Demand(_UNUSED[unused])
    if "/BYTE" in jobs:
        return Demand(Needs.LOW if byte_mode else Needs.HIGH)
    read, standby = part.levels(Mode.READ)[pin], part.levels(Mode.STANDBY)[pin]
    if read is Level.LOW:
        return Demand(Needs.LOW, gates=standby is not Level.LOW)
    return Demand(Needs.HIGH, gates=standby is Level.LOW, writes="/WE" in jobs, draws=read is Level.VCC)


_UNUSED = {
    Unused.ANY: Needs.ANY,
    Unused.LEVEL: Needs.LEVEL,
    Unused.TIED: Needs.TIED,
    Unused.OPEN: Needs.OPEN,
}
