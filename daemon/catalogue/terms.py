"""The closed vocabularies of a part: what kind it is, what a pin is given in each mode, how it is written."""

from enum import StrEnum


class Kind(StrEnum):
    """What sort of memory a part is, by how it is written and erased."""

    UV_EPROM = "uv-eprom"
    OTP_EPROM = "otp-eprom"
    EE_EPROM = "ee-eprom"
    """A 27-series part that is erased electrically, not by light."""
    EEPROM = "eeprom"
    FLASH = "flash"
    MASK_ROM = "mask-rom"


class Mode(StrEnum):
    """A state of the chip that its control pins select. The supply named is the one the mode is used at."""

    STANDBY = "standby"
    """Deselected, read supply."""
    READ = "read"
    """Data on the outputs, read supply or any of the part's supply checks."""
    PROGRAM = "program"
    """Programming supply, VPP applied, one pulse of `write.pulse_us` on the pulsed pin."""
    VERIFY = "verify"
    """Data on the outputs at the programming supply."""
    INHIBIT = "inhibit"
    """Programming supply, nothing selected; the rest between program and verify."""
    SIGNATURE = "signature"
    """Read supply, ID voltage applied: word 0 is the maker, word 1 the device."""
    WRITE = "write"
    """Read supply, one short pulse on the write-enable pin takes in address and data."""
    MARGIN_SET = "margin-set"
    """Before programming: ID voltage first, then VPP, then the pulse, which latches the harder verify."""
    MARGIN_RESET = "margin-reset"
    """After programming: the same order, and the pulse ends the harder verify."""
    ERASE = "erase"
    """Electrical erase by high voltage: VPP and the ID voltage at `supplies.erase_v`, VCC at `vcc_erase_v`,
    the blank byte driven on the data pins, one pulse of `erase.pulse_ms` on the pulsed pin."""


class Level(StrEnum):
    """What a pin gets in a mode."""

    LOW = "low"
    HIGH = "high"
    VCC = "vcc"
    """Tied to the VCC supply, whatever it is at the time."""
    VPP = "vpp"
    ID = "id"
    """The ID voltage, about 12 V."""
    PULSE_LOW = "pulse-low"
    """High at rest, low for the pulse."""
    PULSE_HIGH = "pulse-high"
    """Low at rest, high for the pulse."""
    ADDRESS = "address"
    DATA = "data"
    """Driven in program, write and erase, sensed in every other mode."""
    FLOAT = "float"


PULSES = frozenset({Level.PULSE_LOW, Level.PULSE_HIGH})


class Unused(StrEnum):
    """What a pin that reading does not need may have on a board."""

    ANY = "any"
    """Not connected inside: open, tied, or a signal."""
    LEVEL = "level"
    """An input whose level does not matter: tied or a signal, but never left open."""
    TIED = "tied"
    """To VCC or to ground, not to a signal and not left open."""
    OPEN = "open"
    """Nothing: it is an output, or reserved by the maker."""


class Semantics(StrEnum):
    """What writing can do to a word that already holds something."""

    CLEAR_ONLY = "clear-only"
    """1 becomes 0, never back."""
    OVERWRITE = "overwrite"
    """A byte or page is replaced."""
    ERASE_FIRST = "erase-first"
    """1 becomes 0; sectors or the whole chip go back to 1 electrically."""


class Loop(StrEnum):
    """How the words of a part are written one after another."""

    VERIFY_EACH_PULSE = "verify-each-pulse"
    """Pulse, verify, again up to the limit, then the overprogram pulse if any, then the next word."""
    FIRST_PASS_THEN_VERIFY = "first-pass-then-verify"  # noqa: S105 (a pass over the chip, not a password)
    """One unverified pulse at every word, then a pass that verifies each and pulses again up to the limit."""
    SINGLE_PULSE = "single-pulse"
    """One long pulse a word, verified afterwards."""
    BYTE_WRITE = "byte-write"
    PAGE_WRITE = "page-write"
    COMMAND = "command"
    """A command sequence before every word."""


PULSE_LOOPS = frozenset({Loop.VERIFY_EACH_PULSE, Loop.FIRST_PASS_THEN_VERIFY, Loop.SINGLE_PULSE})


class Polling(StrEnum):
    """How a part that times its own writes shows that it has finished."""

    NONE = "none"
    DATA = "data"
    """The top data bit reads inverted until the write is done."""
    TOGGLE = "toggle"
    """A data bit changes at every read until the write is done."""


class Command(StrEnum):
    """The named command sequences a part may have."""

    PROGRAM = "program"
    SECTOR_ERASE = "sector-erase"
    CHIP_ERASE = "chip-erase"
    ID_ENTER = "id-enter"
    ID_EXIT = "id-exit"
    UNLOCK = "unlock"
    LOCK = "lock"


class Placeholder(StrEnum):
    """What stands in a command step where the value is known only when it is sent."""

    ADDRESS = "address"
    SECTOR = "sector"
    """The first word address of the sector."""
    DATA = "data"


class SignatureMethod(StrEnum):
    """How a part tells its maker and device."""

    NONE = "none"
    ID_VOLTAGE = "id-voltage"
    COMMAND = "command"


class EraseMethod(StrEnum):
    """How a part goes back to blank."""

    UV = "uv"
    ELECTRICAL = "electrical"
    NONE = "none"
    """It cannot (one-time parts, mask ROMs) or need not be (parts whose bytes are replaced)."""


class Confidence(StrEnum):
    """Where the values that programming depends on come from."""

    SEEN = "seen"
    """Each was read in a source that is named."""
    MEMORY = "memory"
    """At least one is recalled: compare with a data sheet first."""
