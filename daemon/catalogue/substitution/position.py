"""A position on a board: what the board puts on each of its pins, how much it reads, and how fast."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from daemon.catalogue import pins
from daemon.catalogue.model import Part
from daemon.catalogue.substitution.nets import GROUND, OPEN, VCC, Carries, Net
from daemon.catalogue.terms import Level, Mode, Unused

BYTE_LINE = -1
"""The number of A-1, the line that chooses the byte of a word."""
_SUPPLY_SHARE = 0.05
"""How far a board's supply may stray; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Position:
    """Where a chip sits on a board, seen from the board.

    `words` are what the board reads there, each of `width_bits`, by the address lines from `first_line` up.
    `access_ns` is the access time that the board allows; None when nobody knows.
    """

    name: str
    package: str
    nets: tuple[Net, ...]
    words: int
    width_bits: int
    first_line: int = 0
    access_ns: float | None = None
    vcc_v: float = 5.0
    vcc_tolerance_v: float = field(default=5.0 * _SUPPLY_SHARE)

    @property
    def lines(self) -> range:
        """Numbers of the address lines that tell its words apart, lowest first."""
        return range(self.first_line, self.first_line + (self.words - 1).bit_length())

    @property
    def size_bytes(self) -> int:
        """What the board reads there, in bytes."""
        return self.words * self.width_bits // 8

    def pin_with(self, wanted: Net) -> int | None:
        """Return the pin where the board has this net, None when it does not bring it here."""
        return next((pin for pin, own in enumerate(self.nets, 1) if own == wanted), None)


def position_for(
    part: Part,
    *,
    byte_mode: bool = False,
    words: int | None = None,
    access_ns: float | None = None,
    vcc_v: float | None = None,
    nets: Mapping[int, Net] | None = None,
    writes: bool = False,
) -> Position:
    """Return the position that a board has for `part`, as its data sheet has it wired for reading.

    `nets` says what a pin really has where that is known better; without it, pins that the part does not need
    are taken to be open, and those that may have either level to be held at one that nobody knows. `words`
    is what the board reads if that is less than the part. `writes` is for boards that write to the part.
    Raises ValueError: `byte_mode` for a part that has none, more words than it has, pins it has not.
    """
    if byte_mode and not part.has_byte_mode:
        raise ValueError(f"{part.name} has no byte mode")
    whole = part.size_bytes if byte_mode else part.words
    if words is not None and not 2 <= words <= whole:
        raise ValueError(f"{part.name} has {whole} words there; a board cannot read {words}")
    wrong = [pin for pin in nets or {} if not 1 <= pin <= len(part.pins)]
    if wrong:
        raise ValueError(f"{part.name} has pins 1 to {len(part.pins)}, not {wrong[0]}")
    wired = {pin: _net_of(part, pin, byte_mode, writes) for pin in range(1, len(part.pins) + 1)}
    supply_v = part.supplies.vcc_read_v if vcc_v is None else vcc_v
    return Position(
        name=f"the position of a {part.name}" + (" read by bytes" if byte_mode else ""),
        package=part.package,
        nets=tuple((wired | dict(nets or {})).values()),
        words=words or whole,
        width_bits=8 if byte_mode else part.width_bits,
        first_line=BYTE_LINE if byte_mode else 0,
        access_ns=access_ns,
        vcc_v=supply_v,
        vcc_tolerance_v=supply_v * _SUPPLY_SHARE,
    )


def _net_of(part: Part, pin: int, byte_mode: bool, writes: bool) -> Net:
    if pin in part.address_pins:
        return Net(Carries.ADDRESS, part.address_pins.index(pin))
    jobs = pins.jobs_of(part.signal_of(pin))
    if byte_mode and "A-1" in jobs:
        return Net(Carries.ADDRESS, BYTE_LINE)
    if pin in part.data_pins:
        bit = part.data_pins.index(pin)
        return OPEN if byte_mode and bit >= 8 else Net(Carries.DATA, bit)
    if pin in part.vcc_pins:
        return VCC
    if pin in part.ground_pins:
        return GROUND
    unused = part.unused(pin)
    if unused in (Unused.ANY, Unused.OPEN):
        return OPEN
    if unused in (Unused.LEVEL, Unused.TIED):
        return Net(Carries.EITHER)
    return Net(_control(part, pin, jobs, byte_mode, writes))


def _control(part: Part, pin: int, jobs: tuple[str, ...], byte_mode: bool, writes: bool) -> Carries:
    read, standby = part.levels(Mode.READ)[pin], part.levels(Mode.STANDBY)[pin]
    if "/BYTE" in jobs:
        return Carries.LOW if byte_mode else Carries.HIGH
    if "/WE" in jobs and writes:
        return Carries.WRITE_ENABLE
    if read is Level.VCC:
        return Carries.VCC
    if read is Level.HIGH:
        return Carries.SELECT_HIGH if standby is Level.LOW else Carries.HIGH
    if "/OE" in jobs:
        return Carries.OUTPUT_ENABLE
    return Carries.SELECT if standby is Level.HIGH else Carries.LOW
