"""Batches: how they were set up, where they stand, and what became of each of their chips."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Row

from daemon.clock import Clock
from daemon.errors import BenchError, Code
from daemon.store.database import Database
from daemon.store.events import Events, given_id
from daemon.store.model import JsonObject, NewEvent, new_id
from daemon.store.schema import BATCH_CHIPS, BATCHES

OPEN_STATES = ("active", "paused")
"""States of a batch that is not over."""

BATCH_STATE_EVENT = "batch-state"
BATCH_CHIP_EVENT = "batch-chip"


@dataclass(frozen=True, slots=True)
class BatchRecord:
    """One batch as stored. `plan` never changes; `progress` is where it stands, but for its chips.

    `state` is that of the whole batch; `number` counts batches in the order in which they were made.
    """

    id: str
    number: int
    programmer_id: str
    board_id: str
    state: str
    plan: JsonObject
    progress: JsonObject
    chips: tuple[JsonObject, ...]
    created_at: datetime
    ended_at: datetime | None
    idempotency_key: str | None


@dataclass(frozen=True, slots=True)
class BatchChange:
    """What to write of a batch: its progress, chips that are new or other than before, how many there are."""

    state: str
    progress: JsonObject
    chips: tuple[JsonObject, ...] = ()
    chip_count: int = 0
    ended: bool = False


class Batches:
    """The batches of this bench. Every change is durable when its call returns, and has its events."""

    def __init__(self, database: Database, events: Events, clock: Clock, bench_id: str) -> None:
        self._database = database
        self._events = events
        self._clock = clock
        self._bench_id = bench_id

    def create(
        self,
        *,
        programmer_id: str,
        board_id: str,
        state: str,
        plan: JsonObject,
        progress: JsonObject,
        idempotency_key: str | None = None,
    ) -> BatchRecord:
        """Record a new batch."""
        values = {
            "id": new_id("bt"),
            "bench_id": self._bench_id,
            "programmer_id": programmer_id,
            "board_id": board_id,
            "state": state,
            "plan": dict(plan),
            "progress": dict(progress),
            "created_at": self._clock.utc_now(),
            "ended_at": None,
            "idempotency_key": idempotency_key,
        }
        with self._database.write(durable=True) as writing:
            given_id(writing.connection.execute(BATCHES.insert(), values))
            return self._fetch(writing.connection, str(values["id"]))

    def get(self, id_or_number: str) -> BatchRecord:
        """Return a batch by its id or number; BenchError `not-found`."""
        with self._database.read() as connection:
            return self._fetch(connection, id_or_number)

    def find_by_key(self, idempotency_key: str) -> BatchRecord | None:
        """Return the batch that was made under an idempotency key, if one was."""
        query = sa.select(BATCHES).where(self._ours(), BATCHES.c.idempotency_key == idempotency_key)
        with self._database.read() as connection:
            row = connection.execute(query).one_or_none()
            return _whole(connection, row) if row else None

    def list(
        self, *, states: Sequence[str] | None = None, limit: int = 50, before_number: int | None = None
    ) -> tuple[BatchRecord, ...]:
        """Return batches, newest first."""
        query = sa.select(BATCHES).where(self._ours())
        if states is not None:
            query = query.where(BATCHES.c.state.in_(list(states)))
        if before_number is not None:
            query = query.where(BATCHES.c.number < before_number)
        with self._database.read() as connection:
            rows = list(connection.execute(query.order_by(BATCHES.c.number.desc()).limit(limit)))
            return tuple(_whole(connection, row) for row in rows)

    def update(self, batch_id: str, change: BatchChange, *events: NewEvent) -> None:
        """Write a change and its events, in one transaction. `batch_id` is of this bench."""
        now = self._clock.utc_now()
        values: dict[str, Any] = {"state": change.state, "progress": dict(change.progress)}
        if change.ended:
            values["ended_at"] = now
        with self._database.write(durable=True) as writing:
            writing.connection.execute(BATCHES.update().where(BATCHES.c.id == batch_id).values(values))
            _write_chips(writing.connection, batch_id, change, now)
            self._events.add(writing, events)
        self._events.prune_when_due(len(events))

    def _ours(self) -> sa.ColumnElement[bool]:
        return BATCHES.c.bench_id == self._bench_id

    def _fetch(self, connection: Connection, id_or_number: str) -> BatchRecord:
        wanted = BATCHES.c.id == id_or_number
        if id_or_number.isascii() and id_or_number.isdigit() and len(id_or_number) < 18:
            wanted = sa.or_(wanted, BATCHES.c.number == int(id_or_number))
        row = connection.execute(sa.select(BATCHES).where(self._ours(), wanted)).first()
        if row is None:
            raise BenchError(
                Code.NOT_FOUND,
                f"there is no batch '{id_or_number[:80]}' on this bench",
                hint="List the batches.",
            )
        return _whole(connection, row)


def _write_chips(connection: Connection, batch_id: str, change: BatchChange, now: datetime) -> None:
    table = BATCH_CHIPS
    gone = table.c.number > change.chip_count
    connection.execute(table.delete().where(table.c.batch_id == batch_id, gone))
    for chip in change.chips:
        values = {name: chip[name] for name in _CHIP_COLUMNS}
        values["details"] = {name: value for name, value in chip.items() if name not in _CHIP_COLUMNS}
        here = sa.and_(table.c.batch_id == batch_id, table.c.number == chip["number"])
        if connection.execute(table.update().where(here).values(values)).rowcount == 0:
            connection.execute(table.insert(), {"batch_id": batch_id, "at": now, **values})


#: What can be searched for has a column; the rest of a chip is one object.
_CHIP_COLUMNS = ("number", "position", "set_number", "part_id", "image_sha256", "verdict", "cause", "job_id")


def _whole(connection: Connection, row: Row[Any]) -> BatchRecord:
    values = {name: value for name, value in row._mapping.items() if name != "bench_id"}
    query = (
        sa.select(BATCH_CHIPS).where(BATCH_CHIPS.c.batch_id == values["id"]).order_by(BATCH_CHIPS.c.number)
    )
    return BatchRecord(**values, chips=tuple(_chip(each) for each in connection.execute(query)))


def _chip(row: Row[Any]) -> Mapping[str, Any]:
    values = dict(row._mapping)
    details = values.pop("details")
    del values["id"], values["batch_id"]
    return {**values, **details}
