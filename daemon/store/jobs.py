"""Jobs as records: made before they start, moved as the table of moves allows, each change with its event."""

from collections.abc import Collection
from dataclasses import replace
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from daemon.clock import Clock
from daemon.errors import BenchError, Code
from daemon.store.database import Database, Writing
from daemon.store.events import Events, given_id
from daemon.store.job_rows import record_of, row_of
from daemon.store.model import (
    ENDED_STATES,
    ON_THE_CHIP_STATES,
    EventType,
    JobChange,
    JobKind,
    JobRecord,
    JobState,
    NewEvent,
    NewJob,
    StepState,
    may_move,
    new_id,
)
from daemon.store.schema import IMAGES, JOBS, PROGRAMMERS


class Jobs:
    """The jobs of this bench. `get` and `list` can also show those of other benches on the same database."""

    def __init__(self, database: Database, events: Events, clock: Clock, bench_id: str) -> None:
        self._database = database
        self._events = events
        self._clock = clock
        self._bench_id = bench_id

    def create(self, new: NewJob) -> JobRecord:
        """Store a job as `queued`, with a `job-created` event; durable when this returns.

        Raises BenchError: `not-found` for an unknown programmer, image or job to continue;
        `idempotency-reused` when a job was already made under this key (its id is in `details`).
        """
        job = JobRecord(
            id=new_id("j"),
            number=0,
            bench_id=self._bench_id,
            state=JobState.QUEUED,
            outcome=None,
            created_at=self._clock.utc_now(),
            started_at=None,
            ended_at=None,
            **{name: getattr(new, name) for name in NewJob.__slots__},
        )
        with self._database.write(durable=True) as writing:
            self._refuse_strangers(writing.connection, job)
            result = writing.connection.execute(JOBS.insert(), row_of(job))
            job = replace(job, number=given_id(result))
            told = self._event(job, EventType.JOB_CREATED, {"kind": job.kind, "state": job.state})
            self._events.add(writing, [told])
        self._events.prune_when_due(1)
        return job

    def get(self, job_id: str) -> JobRecord:
        """Return a job of any bench; BenchError `not-found`."""
        with self._database.read() as connection:
            row = connection.execute(_BY_ID, {"job_id": job_id}).one_or_none()
        return record_of(_found(row, "job", job_id))

    def find_by_key(self, idempotency_key: str) -> JobRecord | None:
        """Return the job that this bench made under an idempotency key, if it made one."""
        query = sa.select(JOBS).where(self._ours(), JOBS.c.idempotency_key == idempotency_key)
        with self._database.read() as connection:
            row = connection.execute(query).one_or_none()
        return record_of(row) if row else None

    def list(
        self,
        *,
        states: Collection[JobState] | None = None,
        kind: JobKind | None = None,
        programmer_id: str | None = None,
        chip_id: str | None = None,
        lot_id: str | None = None,
        before_number: int | None = None,
        limit: int = 100,
        all_benches: bool = False,
    ) -> tuple[JobRecord, ...]:
        """Return jobs, newest first; go on with `before_number` of the last one given."""
        query = sa.select(JOBS).order_by(JOBS.c.number.desc()).limit(limit)
        if not all_benches:
            query = query.where(self._ours())
        if states is not None:
            query = query.where(JOBS.c.state.in_([str(state) for state in states]))
        if kind is not None:
            query = query.where(JOBS.c.kind == str(kind))
        if programmer_id is not None:
            query = query.where(JOBS.c.programmer_id == programmer_id)
        for column, wanted in ((JOBS.c.chip_id, chip_id), (JOBS.c.lot_id, lot_id)):
            if wanted is not None:
                query = query.where(column == wanted)
        if before_number is not None:
            query = query.where(JOBS.c.number < before_number)
        return self._fetch_all(query)

    def queued(self, programmer_id: str | None = None) -> tuple[JobRecord, ...]:
        """Return the jobs that wait for their turn, in the order they were made."""
        query = (
            sa.select(JOBS).where(self._ours(), JOBS.c.state == str(JobState.QUEUED)).order_by(JOBS.c.number)
        )
        if programmer_id is not None:
            query = query.where(JOBS.c.programmer_id == programmer_id)
        return self._fetch_all(query)

    def next_queued(self, programmer_id: str) -> JobRecord | None:
        """Return the job whose turn it is on a programmer."""
        query = self._queue(programmer_id).order_by(JOBS.c.number).limit(1)
        with self._database.read() as connection:
            row = connection.execute(query).one_or_none()
        return record_of(row) if row else None

    def count_queued(self, programmer_id: str) -> int:
        """Return how many jobs wait for their turn on a programmer."""
        query = sa.select(sa.func.count()).select_from(self._queue(programmer_id).subquery())
        with self._database.read() as connection:
            return int(connection.scalar(query) or 0)

    def _queue(self, programmer_id: str) -> sa.Select[Any]:
        return sa.select(JOBS).where(
            self._ours(), JOBS.c.state == str(JobState.QUEUED), JOBS.c.programmer_id == programmer_id
        )

    def update(self, job_id: str, change: JobChange, *events: NewEvent) -> JobRecord:
        """Change a job of this bench and append its events, in one transaction; return it as it is now.

        A change of state gets a `job-state` event by itself, before `events`, and sets the start and end
        times. It is durable, as is an outcome; steps alone are progress (see `daemon.store.dialects`).
        Raises BenchError: `not-found`; `job-state` for a move that the table does not allow, and for any
        change of a job that has ended.
        """
        durable = change.state is not None or change.outcome is not None
        with self._database.write(durable=durable) as writing:
            old = self._get_ours(writing.connection, job_id)
            self._refuse_unknown_image(writing.connection, change.image_sha256)
            job, appended = self._apply(writing, old, change, events)
        self._events.prune_when_due(appended)
        return job

    def interrupt_running(self) -> tuple[JobRecord, ...]:
        """Turn this bench's running and waiting jobs into `interrupted`, after a crash; return them.

        Queued ones stay in the queue, other benches' jobs are left alone. All happens in one transaction.
        """
        query = (
            sa.select(JOBS)
            .where(self._ours(), JOBS.c.state.in_([str(state) for state in ON_THE_CHIP_STATES]))
            .order_by(JOBS.c.number)
        )
        jobs = []
        with self._database.write(durable=True) as writing:
            for row in writing.connection.execute(query).all():
                old = record_of(row)
                job, _ = self._apply(writing, old, _interruption(old, self._clock.utc_now()), ())
                jobs.append(job)
        self._events.prune_when_due(len(jobs))
        return tuple(jobs)

    def _apply(
        self, writing: Writing, old: JobRecord, change: JobChange, events: Collection[NewEvent]
    ) -> tuple[JobRecord, int]:
        now = self._clock.utc_now()
        _refuse_bad_move(old, change)
        job = _changed(old, change, now)
        told = list(events)
        if change.state is not None:
            told.insert(0, self._event(job, EventType.JOB_STATE, {"from": old.state, "state": job.state}))
        columns = _STEPS if change == JobChange(steps=change.steps) else _CHANGING
        values = row_of(job)
        writing.connection.execute(
            _UPDATES[columns], {"job_id": job.id} | {f"new_{name}": values[name] for name in columns}
        )
        self._events.add(writing, told)
        return job, len(told)

    def _event(self, job: JobRecord, type_: EventType, data: dict[str, Any]) -> NewEvent:
        return NewEvent(type_, data, job_id=job.id, programmer_id=job.programmer_id)

    def _ours(self) -> sa.ColumnElement[bool]:
        return JOBS.c.bench_id == self._bench_id

    def _get_ours(self, connection: Connection, job_id: str) -> JobRecord:
        row = connection.execute(_OURS_BY_ID, {"job_id": job_id, "bench": self._bench_id}).one_or_none()
        return record_of(_found(row, "job", job_id))

    def _fetch_all(self, query: sa.Select[Any]) -> tuple[JobRecord, ...]:
        with self._database.read() as connection:
            return tuple(map(record_of, connection.execute(query)))

    def _refuse_strangers(self, connection: Connection, job: JobRecord) -> None:
        programmer = sa.select(PROGRAMMERS.c.id).where(PROGRAMMERS.c.id == job.programmer_id)
        _found(connection.execute(programmer).one_or_none(), "programmer", job.programmer_id)
        self._refuse_unknown_image(connection, job.image_sha256)
        if job.continues_id is not None:
            self._get_ours(connection, job.continues_id)
        if job.idempotency_key is not None:
            query = sa.select(JOBS.c.id).where(self._ours(), JOBS.c.idempotency_key == job.idempotency_key)
            earlier = connection.scalar(query)
            if earlier is not None:
                raise BenchError(
                    Code.IDEMPOTENCY_REUSED,
                    f"a job was already made under this idempotency key: {earlier}",
                    hint="look at that job; to do the work again, send a new key",
                    field="Idempotency-Key",
                    details={"job_id": earlier},
                )

    def _refuse_unknown_image(self, connection: Connection, sha256: str | None) -> None:
        if sha256 is None:
            return
        query = sa.select(IMAGES.c.sha256).where(
            IMAGES.c.bench_id == self._bench_id, IMAGES.c.sha256 == sha256
        )
        _found(connection.execute(query).one_or_none(), "image", sha256)


_STEPS = ("steps",)
_CHANGING = ("state", "steps", "estimate", "outcome", "image_sha256", "started_at", "ended_at")
_BY_ID = sa.select(JOBS).where(JOBS.c.id == sa.bindparam("job_id"))
_OURS_BY_ID = _BY_ID.where(JOBS.c.bench_id == sa.bindparam("bench"))
# Built once, with the steps-only form apart: it is what a running job writes several times a second.
_UPDATES = {
    columns: JOBS.update()
    .where(JOBS.c.id == sa.bindparam("job_id"))
    .values({name: sa.bindparam(f"new_{name}", type_=JOBS.c[name].type) for name in columns})
    for columns in (_STEPS, _CHANGING)
}


def _found(row: sa.Row[Any] | None, what: str, name: str) -> sa.Row[Any]:
    if row is None:
        raise BenchError(Code.NOT_FOUND, f"there is no {what} '{name}' on this bench")
    return row


def _refuse_bad_move(old: JobRecord, change: JobChange) -> None:
    if change.state is None and old.state not in ENDED_STATES:
        return
    if change.state is not None and may_move(old.state, change.state):
        return
    wish = "change" if change.state is None else f"become {change.state}"
    raise BenchError(
        Code.JOB_STATE,
        f"job {old.id} is {old.state}; it cannot {wish}",
        hint="an ended job keeps its record: start a new one" if old.state in ENDED_STATES else "",
        details={"job_id": old.id, "state": str(old.state)},
    )


def _changed(old: JobRecord, change: JobChange, now: datetime) -> JobRecord:
    wanted = {name: value for name in JobChange.__slots__ if (value := getattr(change, name)) is not None}
    job = replace(old, **wanted)
    if job.state is JobState.RUNNING and job.started_at is None:
        job = replace(job, started_at=now)
    if job.state in ENDED_STATES:
        job = replace(job, ended_at=now)
    return job


def _interruption(job: JobRecord, now: datetime) -> JobChange:
    steps = tuple(
        replace(step, state=StepState.INTERRUPTED, ended_at=now) if step.state is StepState.RUNNING else step
        for step in job.steps
    )
    outcome = {
        "code": str(JobState.INTERRUPTED),
        "summary": "The daemon stopped while this job ran, so what the chip holds is not known.",
        "hint": "Continue the job to inspect the chip and finish it, or start anew with an erased chip.",
    }
    return JobChange(state=JobState.INTERRUPTED, steps=steps, outcome=outcome)
