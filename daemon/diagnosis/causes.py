"""What can be wrong: each cause with its stable code, and how common it is before anything was looked at.

The shares are ours, of chips that failed on a bench; they decide only between causes that would read alike.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any


class Cause(StrEnum):
    """Causes of a failure, by stable code."""

    NO_CHIP = "no-chip"
    CHIP_REVERSED = "chip-reversed"
    CHIP_SHIFTED = "chip-shifted"
    PIN_OPEN = "pin-open"
    PIN_SHORTED = "pin-shorted"
    PINS_BRIDGED = "pins-bridged"
    LINES_EXCHANGED = "lines-exchanged"
    LINE_STUCK = "line-stuck"
    CONTACT_INTERMITTENT = "contact-intermittent"
    CHIP_SILENT = "chip-silent"
    WRONG_PART = "wrong-part"
    HALF_SIZE = "half-size"
    CHIP_BLANK = "chip-blank"
    ALL_PROGRAMMED = "all-programmed"
    CHIP_PROGRAMMED = "chip-programmed"
    OTHER_CONTENT = "other-content"
    OLDER_IMAGE = "older-image"
    OTHER_IMAGE = "other-image"
    EVEN_ODD_EXCHANGED = "even-odd-exchanged"
    BYTES_EXCHANGED = "bytes-exchanged"
    WORDS_EXCHANGED = "words-exchanged"
    WRONG_HALF = "wrong-half"
    HEADER = "header-not-skipped"
    OFFSET = "image-offset"
    INVERTED = "image-inverted"
    BITS_REVERSED = "bits-reversed"
    PARTLY_PROGRAMMED = "partly-programmed"
    NOT_FULLY_ERASED = "not-fully-erased"
    NOT_ERASED = "not-erased"
    WEAK_CELLS = "weak-cells"
    UNDER_PROGRAMMED = "under-programmed"
    CELLS_STUCK = "cells-stuck"
    VPP_WRONG = "vpp-wrong"
    VPP_SAGS = "vpp-sags"
    VCC_WRONG = "vcc-wrong"
    OVER_CURRENT = "over-current"
    WRITE_PROTECTED = "write-protected"
    WORN = "worn"
    UNKNOWN = "unknown"
    """None of these explains what was seen: nothing is claimed."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One cause with its place: package pins, and what else tells two of a kind apart."""

    cause: Cause
    pins: tuple[int, ...] = ()
    details: tuple[tuple[str, Any], ...] = ()

    def detail(self, name: str) -> Any:
        """Return a detail, None where there is no such."""
        return dict(self.details).get(name)


def fault(cause: Cause, *pins: int, **details: Any) -> Fault:
    """Make a fault."""
    return Fault(cause, pins, tuple(sorted(details.items())))


#: Share of failed chips with each cause (ours), all its places together.
SHARES: Mapping[Cause, float] = {
    Cause.NO_CHIP: 0.04,
    Cause.CHIP_REVERSED: 0.02,
    Cause.CHIP_SHIFTED: 0.02,
    Cause.PIN_OPEN: 0.08,
    Cause.PIN_SHORTED: 0.01,
    Cause.PINS_BRIDGED: 0.01,
    Cause.LINES_EXCHANGED: 0.01,
    Cause.LINE_STUCK: 0.01,
    Cause.CONTACT_INTERMITTENT: 0.06,
    Cause.CHIP_SILENT: 0.02,
    Cause.WRONG_PART: 0.04,
    Cause.HALF_SIZE: 0.02,
    Cause.CHIP_BLANK: 0.08,
    Cause.ALL_PROGRAMMED: 0.002,
    Cause.CHIP_PROGRAMMED: 0.10,
    Cause.OTHER_CONTENT: 0.04,
    Cause.OLDER_IMAGE: 0.06,
    Cause.OTHER_IMAGE: 0.04,
    Cause.EVEN_ODD_EXCHANGED: 0.04,
    Cause.BYTES_EXCHANGED: 0.03,
    Cause.WORDS_EXCHANGED: 0.005,
    Cause.WRONG_HALF: 0.02,
    Cause.HEADER: 0.03,
    Cause.OFFSET: 0.02,
    Cause.INVERTED: 0.005,
    Cause.BITS_REVERSED: 0.003,
    Cause.PARTLY_PROGRAMMED: 0.02,
    Cause.NOT_FULLY_ERASED: 0.08,
    Cause.NOT_ERASED: 0.02,
    Cause.WEAK_CELLS: 0.04,
    Cause.UNDER_PROGRAMMED: 0.03,
    Cause.CELLS_STUCK: 0.03,
    Cause.VPP_WRONG: 0.03,
    Cause.VPP_SAGS: 0.02,
    Cause.VCC_WRONG: 0.01,
    Cause.OVER_CURRENT: 0.02,
    Cause.WRITE_PROTECTED: 0.02,
    Cause.WORN: 0.02,
    Cause.UNKNOWN: 0.01,
}
