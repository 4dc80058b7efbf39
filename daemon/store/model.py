"""The values that the store keeps, and how a job may move from state to state."""

import base64
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any

JsonObject = Mapping[str, Any]
"""A JSON object as the store takes and gives it: string keys, finite numbers, no NaN."""


class JobState(StrEnum):
    """Where a job stands."""

    QUEUED = "queued"
    RUNNING = "running"
    WAITING = "waiting"
    """Running, and the next move is a person's (insert a chip, set a supply by hand)."""
    SUCCEEDED = "succeeded"
    FAILED = "failed"
    CANCELLED = "cancelled"
    INTERRUPTED = "interrupted"
    """The daemon stopped in the middle; what the chip holds is unknown until it is inspected."""


JOB_MOVES: Mapping[JobState, frozenset[JobState]] = {
    JobState.QUEUED: frozenset({JobState.RUNNING, JobState.FAILED, JobState.CANCELLED}),
    JobState.RUNNING: frozenset(
        {
            JobState.WAITING,
            JobState.SUCCEEDED,
            JobState.FAILED,
            JobState.CANCELLED,
            JobState.INTERRUPTED,
        }
    ),
    JobState.WAITING: frozenset(
        {JobState.RUNNING, JobState.FAILED, JobState.CANCELLED, JobState.INTERRUPTED}
    ),
    # Ends are final: to continue an interrupted job is a new job that names the old one, so that each attempt
    # keeps its own record of pulses and checks.
    JobState.SUCCEEDED: frozenset(),
    JobState.FAILED: frozenset(),
    JobState.CANCELLED: frozenset(),
    JobState.INTERRUPTED: frozenset(),
}
"""Every allowed move; one that is not listed is refused."""

ENDED_STATES = frozenset(state for state, moves in JOB_MOVES.items() if not moves)
"""States that a job never leaves."""

ON_THE_CHIP_STATES = frozenset({JobState.RUNNING, JobState.WAITING})
"""States in which a job may have altered a chip; a crash turns them into `interrupted`."""


class JobKind(StrEnum):
    """What a job does."""

    IDENTIFY = "identify"
    PIN_CHECK = "pin-check"
    BLANK_CHECK = "blank-check"
    READ = "read"
    WRITE = "write"
    VERIFY = "verify"
    ERASE = "erase"
    ERASE_CHECK = "erase-check"
    PROGRAM = "program"
    EXAMINE = "examine"
    DIAGNOSE = "diagnose"
    RESCUE_READ = "rescue-read"


class StepState(StrEnum):
    """Where a step of a job stands."""

    PENDING = "pending"
    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"
    SKIPPED = "skipped"
    CANCELLED = "cancelled"
    INTERRUPTED = "interrupted"


class EventType(StrEnum):
    """The types of event that the store itself appends, and those that go with its records."""

    JOB_CREATED = "job-created"
    JOB_STATE = "job-state"
    JOB_STEP = "job-step"
    JOB_PROGRESS = "job-progress"
    PROGRAMMER_RENAMED = "programmer-renamed"
    IMAGE_ADDED = "image-added"
    IMAGE_DELETED = "image-deleted"


@dataclass(frozen=True, slots=True)
class Step:
    """One stage of a job. `total_bytes` is None where bytes are no measure of it.

    `acknowledged`: stretches of bytes that the programmer has said to be done, as pairs of the first and the
    one behind the last: what a continued job need not do again.
    """

    name: str
    title: str
    state: StepState = StepState.PENDING
    done_bytes: int = 0
    total_bytes: int | None = None
    started_at: datetime | None = None
    ended_at: datetime | None = None
    result: JsonObject | None = None
    acknowledged: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class NewJob:
    """What `Jobs.create` needs; the store adds id, number, bench, state and time.

    `programmer_id` and `image_sha256` must be known to the store. `continues_id` names the interrupted job
    whose work this one takes up; `chip_id` and `lot_id` whose chip it is, where that is known.
    """

    kind: JobKind
    programmer_id: str
    params: JsonObject = field(default_factory=dict)
    part_id: str | None = None
    image_sha256: str | None = None
    steps: tuple[Step, ...] = ()
    estimate: JsonObject | None = None
    idempotency_key: str | None = None
    continues_id: str | None = None
    chip_id: str | None = None
    lot_id: str | None = None


@dataclass(frozen=True, slots=True)
class JobRecord:
    """One piece of work on one programmer, as stored.

    `number` counts jobs in order of creation in this store (it orders the queue); `id` is random, so it can
    be named in a URL without telling how many jobs there are. `outcome` has at least `code` and `summary`
    once the job has ended.
    """

    id: str
    number: int
    bench_id: str
    programmer_id: str
    kind: JobKind
    state: JobState
    params: JsonObject
    part_id: str | None
    image_sha256: str | None
    steps: tuple[Step, ...]
    estimate: JsonObject | None
    outcome: JsonObject | None
    created_at: datetime
    started_at: datetime | None
    ended_at: datetime | None
    idempotency_key: str | None
    continues_id: str | None
    chip_id: str | None = None
    lot_id: str | None = None


@dataclass(frozen=True, slots=True)
class JobChange:
    """What to change in a job; None leaves a field as it is."""

    state: JobState | None = None
    steps: tuple[Step, ...] | None = None
    estimate: JsonObject | None = None
    outcome: JsonObject | None = None
    image_sha256: str | None = None


@dataclass(frozen=True, slots=True)
class NewEvent:
    """An event to append; the store adds the number, the bench and the time."""

    type: str
    data: JsonObject = field(default_factory=dict)
    job_id: str | None = None
    programmer_id: str | None = None


@dataclass(frozen=True, slots=True)
class EventRecord:
    """An event as stored. `id` grows and is never given twice, though not every number is used."""

    id: int
    bench_id: str
    job_id: str | None
    programmer_id: str | None
    at: datetime
    type: str
    data: JsonObject


@dataclass(frozen=True, slots=True)
class ImageRecord:
    """What is known about an image; its content is in `Blobs` under the same digest (lower-case hex)."""

    sha256: str
    size_bytes: int
    name: str
    format: str
    created_at: datetime
    facts: JsonObject


@dataclass(frozen=True, slots=True)
class ProgrammerRecord:
    """A programmer that some bench on this store has seen. `name` is the alias its user gave it."""

    id: str
    serial: str | None
    name: str | None
    last_seen_at: datetime
    info: JsonObject


@dataclass(frozen=True, slots=True)
class Replay:
    """The answer that an earlier request with the same idempotency key got."""

    status: int
    response: JsonObject


def may_move(old: JobState, new: JobState) -> bool:
    """Say whether a job in state `old` may go to `new`; staying is no move."""
    return new in JOB_MOVES[old]


def new_id(prefix: str) -> str:
    """Return `prefix`, an underscore and 16 random base32 characters (80 bits, lower case)."""
    return f"{prefix}_{base64.b32encode(secrets.token_bytes(10)).decode('ascii').lower()}"
