"""The values that the store keeps about UV erasing: lamps, lots and chips, exposures and their readings."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from daemon.store.model import JsonObject


class ExposureState(StrEnum):
    """Where an exposure stands."""

    PLANNED = "planned"
    """The tray is laid out; the lamp was not on yet."""
    LIT = "lit"
    """The lamp is on: time counts."""
    DARK = "dark"
    """The lamp is off between two spans: chips are counted or moved."""
    UNSURE = "unsure"
    """The daemon was not there for a while: somebody has to say how long the lamp was on."""
    DONE = "done"
    ABANDONED = "abandoned"


EXPOSURE_MOVES: Mapping[ExposureState, frozenset[ExposureState]] = {
    ExposureState.PLANNED: frozenset({ExposureState.LIT, ExposureState.ABANDONED}),
    ExposureState.LIT: frozenset({ExposureState.DARK, ExposureState.UNSURE, ExposureState.ABANDONED}),
    ExposureState.DARK: frozenset({ExposureState.LIT, ExposureState.DONE, ExposureState.ABANDONED}),
    ExposureState.UNSURE: frozenset({ExposureState.DARK, ExposureState.LIT, ExposureState.ABANDONED}),
    ExposureState.DONE: frozenset(),
    ExposureState.ABANDONED: frozenset(),
}
"""Every allowed move; one that is not listed is refused."""

OPEN_STATES = frozenset(state for state, moves in EXPOSURE_MOVES.items() if moves)


@dataclass(frozen=True, slots=True)
class LampRecord:
    """A lamp of this bench. `spec` is what `daemon.exposures.lamps` made of it, `hours` its lit hours.

    `tubes_since` is when the present tubes went in: what was learned before does not count any more.
    """

    id: str
    name: str
    spec: JsonObject
    hours: float | None
    created_at: datetime
    tubes_since: datetime


@dataclass(frozen=True, slots=True)
class MeterRecord:
    """A UV-C meter read at a place of the tray."""

    id: int
    lamp_id: str
    at: datetime
    along_mm: float
    across_mm: float
    measured_mw_per_cm2: float
    tolerance: float


@dataclass(frozen=True, slots=True)
class LotRecord:
    """Chips of one part that go together; labels come off before erasing, so the lot is who they are."""

    id: str
    name: str
    part_id: str
    chips: int
    note: str
    cycles: int
    failures: int
    created_at: datetime


@dataclass(frozen=True, slots=True)
class ChipRecord:
    """One chip that has a number of its own, painted on its underside."""

    id: str
    number: str
    part_id: str
    lot_id: str | None
    cycles: int
    failures: int
    created_at: datetime


@dataclass(frozen=True, slots=True)
class ChipAt:
    """Which chip lies at a place of an exposure; places count from 0 here, by their index in the plan."""

    place: int
    part_id: str
    lot_id: str | None = None
    chip_id: str | None = None


@dataclass(frozen=True, slots=True)
class Span:
    """A time for which the lamp was on. `lit_s` is None while it still is, and while nobody has said.

    `cold` is whether it began cold; `origin` says who measured: `counted` by the daemon, or `stated`.
    """

    id: int
    began_at: datetime
    ended_at: datetime | None
    lit_s: float | None
    cold: bool
    origin: str


@dataclass(frozen=True, slots=True)
class ReadingRecord:
    """A count of one chip of an exposure: `place` is its index in the plan."""

    id: int
    place: int
    at: datetime
    effective_s: float
    bits_left: int
    vcc_v: float
    reads: int
    job_id: str | None


class CheckState(StrEnum):
    """Where the check of a tray stands."""

    CHECKING = "checking"
    """A job waits for the next chip, or looks at it."""
    PAUSED = "paused"
    """Somebody, a trouble, or a restart stopped it: it goes on when somebody says so."""
    DONE = "done"
    CANCELLED = "cancelled"


OPEN_CHECKS = frozenset({CheckState.CHECKING, CheckState.PAUSED})


@dataclass(frozen=True, slots=True)
class TrayCheckRecord:
    """The chips of an exposure, checked one after another.

    `places` (from 1) are those to be looked at, in their order; `results` what was found, by place as text.
    `job_id` is the job of the chip whose turn it is; `words` why it stands still, or is to be minded.
    """

    id: str
    number: int
    exposure_id: str
    programmer_id: str
    state: CheckState
    places: tuple[int, ...]
    results: JsonObject
    job_id: str | None
    words: str
    created_at: datetime
    ended_at: datetime | None


@dataclass(frozen=True, slots=True)
class ExposureRecord:
    """A tray under a lamp: the plan, the spans of light, the readings. `number` counts from 1."""

    id: str
    number: int
    lamp_id: str
    state: ExposureState
    plan: JsonObject
    outcome: JsonObject | None
    created_at: datetime
    ended_at: datetime | None
    spans: tuple[Span, ...] = ()
    readings: tuple[ReadingRecord, ...] = ()
