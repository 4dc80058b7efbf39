"""The event log: numbered, pruned from the old end, and open about what was pruned."""

import threading
from collections.abc import Callable, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Row

from daemon.clock import Clock
from daemon.store.database import Database, EventListener, Writing
from daemon.store.model import EventRecord, NewEvent
from daemon.store.schema import BENCHES, EVENTS

READ_LIMIT = 500
"""Events given at once, unless the caller says otherwise."""


class Events:
    """The events of this bench. Other benches on the same database have their own."""

    def __init__(self, database: Database, clock: Clock, bench_id: str, keep: int) -> None:
        self._database = database
        self._clock = clock
        self._bench_id = bench_id
        self._keep = keep
        # Pruning in lumps costs next to nothing per event; a tenth too many is no harm.
        self._slack = max(1, keep // 10)
        self._lock = threading.Lock()
        self._appended_since_prune = self._slack  # the first event prunes: `keep` may have been lowered

    def append(self, *events: NewEvent, durable: bool = False) -> tuple[EventRecord, ...]:
        """Append events in one transaction. One about a change of a job belongs into `Jobs.update`."""
        with self._database.write(durable=durable) as writing:
            records = self.add(writing, events)
        self.prune_when_due(len(records))
        return records

    def add(self, writing: Writing, events: Sequence[NewEvent]) -> tuple[EventRecord, ...]:
        """Append events inside a transaction of another room, so that a change and its event are one."""
        now = self._clock.utc_now()
        records = []
        for event in events:
            row = {
                "bench_id": self._bench_id,
                "job_id": event.job_id,
                "programmer_id": event.programmer_id,
                "at": now,
                "type": str(event.type),
                "data": dict(event.data),
            }
            result = writing.connection.execute(_INSERT, row)
            event_id = given_id(result)
            writing.newest_event_id = event_id
            records.append(EventRecord(id=event_id, **row))  # type: ignore[arg-type]
        return tuple(records)

    def after(
        self, last_id: int, limit: int = READ_LIMIT, *, job_id: str | None = None
    ) -> tuple[EventRecord, ...]:
        """Return at most `limit` events with an id above `last_id`, oldest first; of one job if named."""
        query = _AFTER_OF_JOB if job_id is not None else _AFTER
        values = {"bench_id": self._bench_id, "last_id": last_id, "job_id": job_id, "limit": limit}
        with self._database.read() as connection:
            return tuple(map(_record, connection.execute(query, values)))

    def oldest_id(self) -> int:
        """Return the id of the oldest event that is kept; 0 when there is none."""
        return self._edge(sa.func.min)

    def newest_id(self) -> int:
        """Return the id of the newest event; 0 when there is none."""
        return self._edge(sa.func.max)

    def page(
        self, last_id: int, limit: int = READ_LIMIT, *, job_id: str | None = None
    ) -> tuple[tuple[EventRecord, ...], bool]:
        """Do as `after`, and say whether a reader who last saw `last_id` has lost events for good.

        So it is when events after it were pruned, or when the log does not reach that far (an older copy of
        the database was put back). Such a reader must look at the whole state anew.
        """
        # In this order: events that are pruned between the two questions count as lost, never as seen.
        events = self.after(last_id, limit, job_id=job_id)
        pruned = sa.select(BENCHES.c.pruned_through).where(BENCHES.c.id == self._bench_id)
        with self._database.read() as connection:
            pruned_through = connection.scalar(pruned) or 0
        return events, last_id < pruned_through or last_id > max(self.newest_id(), pruned_through)

    def prune(self, keep: int) -> int:
        """Delete all but the newest `keep` events (0 or more); return how many went."""
        newest_to_go = (
            sa.select(EVENTS.c.id).where(self._ours()).order_by(EVENTS.c.id.desc()).offset(keep).limit(1)
        )
        with self._database.write(durable=False) as writing:
            through = writing.connection.scalar(newest_to_go)
            if through is None:
                return 0
            gone = writing.connection.execute(
                EVENTS.delete().where(self._ours(), EVENTS.c.id <= through)
            ).rowcount
            writing.connection.execute(
                BENCHES.update().where(BENCHES.c.id == self._bench_id).values(pruned_through=through)
            )
        return gone

    def prune_when_due(self, appended: int) -> None:
        """Count events that a transaction appended, and prune when enough have come together."""
        with self._lock:
            self._appended_since_prune += appended
            if self._appended_since_prune < self._slack:
                return
            self._appended_since_prune = 0
        self.prune(self._keep)

    def on_event(self, listener: EventListener) -> Callable[[], None]:
        """Call `listener(newest_id)` after each commit that appended events; see `Database.on_event`."""
        return self._database.on_event(listener)

    def _ours(self) -> sa.ColumnElement[bool]:
        return EVENTS.c.bench_id == self._bench_id

    def _edge(self, function: Callable[[Any], Any]) -> int:
        with self._database.read() as connection:
            found = connection.scalar(sa.select(function(EVENTS.c.id)).where(self._ours()))
        return int(found or 0)


# Built once: a statement built for each call costs more than SQLite takes to run it.
_INSERT = EVENTS.insert()
_AFTER = (
    sa.select(EVENTS)
    .where(EVENTS.c.bench_id == sa.bindparam("bench_id"), EVENTS.c.id > sa.bindparam("last_id"))
    .order_by(EVENTS.c.id)
    .limit(sa.bindparam("limit", type_=sa.Integer))
)
_AFTER_OF_JOB = _AFTER.where(EVENTS.c.job_id == sa.bindparam("job_id"))


def given_id(result: sa.CursorResult[Any]) -> int:
    """Return the number that the database gave to the row just inserted."""
    assert result.inserted_primary_key is not None, "every insert here is of one row with a counted key"
    return int(result.inserted_primary_key[0])


def _record(row: Row[Any]) -> EventRecord:
    return EventRecord(**row._mapping)
