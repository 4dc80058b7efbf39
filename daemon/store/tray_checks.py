"""Checks of whole trays: which chips are to be looked at, which were, and what was found."""

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Row

from daemon.clock import Clock
from daemon.errors import BenchError, Code
from daemon.store.database import Database, Writing
from daemon.store.events import Events, given_id
from daemon.store.exposure_model import OPEN_CHECKS, CheckState, TrayCheckRecord
from daemon.store.model import NewEvent, new_id
from daemon.store.schema import TRAY_CHECKS

TRAY_CHECK_EVENT = "tray-check"


class TrayChecks:
    """The checks of this bench. Every change is durable when its call returns, and has its event."""

    def __init__(self, database: Database, events: Events, clock: Clock, bench_id: str) -> None:
        self._database = database
        self._events = events
        self._clock = clock
        self._bench_id = bench_id

    def create(self, exposure_id: str, programmer_id: str, places: Sequence[int]) -> TrayCheckRecord:
        """Record a check that begins. Raises BenchError `exposure-state` while another of it is open."""
        record = TrayCheckRecord(
            id=new_id("tc"),
            number=0,
            exposure_id=exposure_id,
            programmer_id=programmer_id,
            state=CheckState.CHECKING,
            places=tuple(places),
            results={},
            job_id=None,
            words="",
            created_at=self._clock.utc_now(),
            ended_at=None,
        )
        with self._database.write(durable=True) as writing:
            query = self._of(exposure_id, OPEN_CHECKS)
            if writing.connection.execute(query).first() is not None:
                raise BenchError(
                    Code.EXPOSURE_STATE,
                    "this tray is being checked already",
                    hint="Continue that check, or cancel it first.",
                )
            result = writing.connection.execute(TRAY_CHECKS.insert(), self._row_of(record))
            record = replace(record, number=given_id(result))
            self._tell(writing, record)
        self._events.prune_when_due(1)
        return record

    def save(self, record: TrayCheckRecord) -> TrayCheckRecord:
        """Write a check down as it is now."""
        if record.state not in OPEN_CHECKS and record.ended_at is None:
            record = replace(record, ended_at=self._clock.utc_now())
        with self._database.write(durable=True) as writing:
            update = TRAY_CHECKS.update().where(TRAY_CHECKS.c.id == record.id)
            writing.connection.execute(update.values(self._row_of(record)))
            self._tell(writing, record)
        self._events.prune_when_due(1)
        return record

    def newest(self, exposure_id: str) -> TrayCheckRecord | None:
        """Return the newest check of an exposure, None where there was none."""
        with self._database.read() as connection:
            row = connection.execute(self._of(exposure_id)).first()
        return _record_of(row) if row else None

    def all_open(self) -> tuple[TrayCheckRecord, ...]:
        """Return the checks that have not ended, newest first."""
        with self._database.read() as connection:
            return tuple(map(_record_of, connection.execute(self._of(None, OPEN_CHECKS))))

    def _of(self, exposure_id: str | None, states: Collection[CheckState] | None = None) -> sa.Select[Any]:
        query = sa.select(TRAY_CHECKS).where(TRAY_CHECKS.c.bench_id == self._bench_id)
        if exposure_id is not None:
            query = query.where(TRAY_CHECKS.c.exposure_id == exposure_id)
        if states is not None:
            query = query.where(TRAY_CHECKS.c.state.in_([str(state) for state in states]))
        return query.order_by(TRAY_CHECKS.c.number.desc())

    def _row_of(self, record: TrayCheckRecord) -> dict[str, Any]:
        return {
            "id": record.id,
            "bench_id": self._bench_id,
            "exposure_id": record.exposure_id,
            "programmer_id": record.programmer_id,
            "state": str(record.state),
            "places": list(record.places),
            "results": dict(record.results),
            "job_id": record.job_id,
            "words": record.words,
            "created_at": record.created_at,
            "ended_at": record.ended_at,
        }

    def _tell(self, writing: Writing, record: TrayCheckRecord) -> None:
        told = {
            "exposure_id": record.exposure_id,
            "state": str(record.state),
            "checked": len(record.results),
            "places": len(record.places),
            "words": record.words,
        }
        self._events.add(writing, [NewEvent(TRAY_CHECK_EVENT, told, job_id=record.job_id)])


def _record_of(row: Row[Any]) -> TrayCheckRecord:
    values = {name: value for name, value in row._mapping.items() if name != "bench_id"}
    values.update(state=CheckState(values["state"]), places=tuple(values["places"]))
    return TrayCheckRecord(**values)
