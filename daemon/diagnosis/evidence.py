"""What was seen of a chip that failed: every word of it measured, none of it judged."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from daemon.catalogue.model import Part
from daemon.diagnosis.seating import Seating
from daemon.store.model import JobKind

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from daemon.drawer.lookup import Match

    Rows = NDArray[np.int64]
    Words = NDArray[np.uint16]


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """The words read at the evidence's addresses, at one supply."""

    vcc_v: float
    words: "Words"


@dataclass(slots=True)
class Evidence:
    """All that is known of one failure. Addresses are words of the part.

    `wanted` is what the whole chip should hold, None where a blank one was wanted or nothing in particular;
    `covered` tells which of its words the image has. `addresses` are those of all `looks`, ascending; the
    first look is at the nominal supply. `was_blank`: a blank check passed before. `reached`: words below it
    have been through the programming loop, None where it ran over all of them or was not the failed step.
    """

    part: Part
    kind: JobKind
    code: str
    numbers: Mapping[str, Any] = field(default_factory=dict)
    wanted: "Words | None" = None
    covered: "NDArray[np.bool_] | None" = None
    programmed_here: bool = False
    was_blank: bool = False
    reached: int | None = None
    seating: Seating | None = None
    rows_too_high: int = 0
    ground_open: bool = False
    addresses: "Rows | None" = None
    looks: list[Look] = field(default_factory=list)
    recalled: bytes | None = None
    matches: "tuple[Match, ...]" = ()
    wanted_matches: "tuple[Match, ...]" = ()
    faults: int = 0
    """Faults that the programmer latched, as the wire numbers them."""

    @property
    def blank_word(self) -> int:
        """The erased word."""
        return self.part.blank_byte * 0x0101 & (1 << self.part.width_bits) - 1

    @property
    def pins_seen_good(self) -> bool:
        """Whether a pin check was made and found nothing."""
        return self.seating is not None and self.seating.good
