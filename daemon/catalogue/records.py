"""The tables of a part below its top level: supplies, writing, sectors, signature, erasure."""

from collections.abc import Mapping
from typing import Annotated, Any, NamedTuple

from pydantic import AfterValidator, BaseModel, ConfigDict, Field
from pydantic_core import PydanticCustomError

from daemon.catalogue.terms import (
    Command,
    EraseMethod,
    Loop,
    Placeholder,
    Polling,
    Semantics,
    SignatureMethod,
)


def _rising(band: tuple[float, float]) -> tuple[float, float]:
    if band[0] > band[1]:
        raise PydanticCustomError("band", "starts at {low} and ends below it, at {high}", _ends(band))
    return band


def _ends(band: tuple[float, float]) -> dict[str, Any]:
    return {"low": band[0], "high": band[1]}


Text = Annotated[str, Field(strict=True, min_length=1, max_length=300)]
Volts = Annotated[float, Field(strict=True, gt=0, le=40, allow_inf_nan=False)]
Positive = Annotated[float, Field(strict=True, gt=0, le=1e9, allow_inf_nan=False)]
Count = Annotated[int, Field(strict=True, ge=1, le=1 << 26)]
Code16 = Annotated[int, Field(strict=True, ge=0, le=0xFFFF)]
Address = Annotated[int, Field(strict=True, ge=0, lt=1 << 26)]
VoltBand = Annotated[tuple[Volts, Volts], AfterValidator(_rising)]
Band = Annotated[tuple[Positive, Positive], AfterValidator(_rising)]


class Record(BaseModel):
    """A frozen table in which a misspelt key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Supplies(Record):
    """Volts. `_range_v` is the lowest and highest allowed, `_abs_max_v` an absolute maximum rating."""

    vcc_read_v: Volts
    vcc_read_tolerance_v: Volts
    vcc_abs_max_v: Volts
    vcc_program_v: Volts | None = None
    vcc_program_range_v: VoltBand | None = None
    vpp_program_v: Volts | None = None
    vpp_program_range_v: VoltBand | None = None
    vpp_abs_max_v: Volts | None = None
    id_v: Volts | None = None
    id_range_v: VoltBand | None = None
    id_abs_max_v: Volts | None = None
    erase_v: Volts | None = None
    """On VPP and on A9 alike in the erase mode, for parts erased electrically by high voltage."""
    erase_range_v: VoltBand | None = None
    vcc_erase_v: Volts | None = None
    supply_checks_v: Annotated[tuple[Volts, ...], Field(min_length=1, max_length=4)]
    """The VCC values at which the maker has the content read after programming, in the maker's order."""


class Step(NamedTuple):
    """One write of a command sequence. Written `[address, data]` in a part file."""

    address: Address | Placeholder
    data: Code16 | Placeholder


class Write(Record):
    """How the part is written.

    Pulse loops use `pulse_us`, `max_pulses` and `overprogram_factor`. Parts that time their own writes use
    `write_cycle_us_*`: one word for byte-write and command loops, one page for page-write.
    """

    semantics: Semantics
    loop: Loop
    pulse_us: Positive | None = None
    pulse_range_us: Band | None = None
    max_pulses: Annotated[int, Field(strict=True, ge=1, le=1000)] | None = None
    """Pulses allowed on one word; in first-pass-then-verify the unverified first pulse is not counted."""
    overprogram_factor: Annotated[int, Field(strict=True, ge=0, le=10)] = 0
    """After the word verifies, one pulse of this factor x pulses used x `pulse_us`; 0 is none."""
    page_bytes: Count | None = None
    page_load_us_max: Positive | None = None
    """Longest pause between two bytes of a page before the part starts writing what it has."""
    write_cycle_us_typ: Positive | None = None
    write_cycle_us_max: Positive | None = None
    polling: Polling = Polling.NONE
    commands: Mapping[Command, Annotated[tuple[Step, ...], Field(min_length=1, max_length=16)]] = {}
    lockable: Annotated[bool, Field(strict=True)] = False
    """True where a locked part's refusal to write looks like success, so only a read-back shows it."""


class Sectors(Record):
    """Equal sectors that are erased one by one. Times in milliseconds."""

    size_bytes: Count
    erase_ms_typ: Positive
    erase_ms_max: Positive


class Signature(Record):
    """The maker's and device's codes at word addresses 0 and 1.

    Codes are words of the part. `mask` tells which bits are compared, for 16-bit parts whose sheet gives only
    the low byte; None compares all.
    """

    method: SignatureMethod
    maker: Code16 | None = None
    device: Code16 | None = None
    mask: Code16 | None = None

    def matches(self, maker: int, device: int) -> bool:
        """Tell whether the codes read from a chip are this part's."""
        if self.maker is None or self.device is None:
            return False
        mask = 0xFFFF if self.mask is None else self.mask
        return (maker & mask, device & mask) == (self.maker & mask, self.device & mask)


class Erase(Record):
    """How the part is erased. Dose in J/cm2 (the same as W·s/cm2) at 253.7 nm; chip times in milliseconds."""

    method: EraseMethod
    dose_j_per_cm2: Positive | None = None
    makers_minutes: Text | None = None
    """The maker's printed time, as words: sheets print minutes that are shorter than their own dose."""
    chip_ms_typ: Positive | None = None
    chip_ms_max: Positive | None = None
    pulse_ms: Positive | None = None
    """Parts erased by high voltage: one pulse of the erase mode, on the whole chip."""
    pulse_range_ms: Band | None = None
    max_pulses: Annotated[int, Field(strict=True, ge=1, le=1000)] | None = None
    """Erase pulses allowed before the chip counts as worn out; after each it is read for blank."""
    verify_v: Volts | None = None
    """VCC at which an erased chip must read blank, where the sheet asks for one below the read supply."""
