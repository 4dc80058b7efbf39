"""Exposures: trays under a lamp, the spans for which it was on, and what was counted."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Row

from daemon.clock import Clock
from daemon.errors import BenchError, Code
from daemon.store.database import Database, Writing
from daemon.store.events import Events, given_id
from daemon.store.exposure_model import (
    EXPOSURE_MOVES,
    ChipAt,
    ExposureRecord,
    ExposureState,
    ReadingRecord,
    Span,
)
from daemon.store.model import NewEvent, new_id
from daemon.store.schema import EXPOSURE_CHIPS, EXPOSURE_READINGS, EXPOSURE_SPANS, EXPOSURES

EXPOSURE_EVENT = "exposure-state"
READING_EVENT = "exposure-reading"


class Exposures:
    """The exposures of this bench. Every change is durable when its call returns, and has its event."""

    def __init__(self, database: Database, events: Events, clock: Clock, bench_id: str) -> None:
        self._database = database
        self._events = events
        self._clock = clock
        self._bench_id = bench_id

    def create(self, lamp_id: str, plan: Mapping[str, Any], chips: Sequence[ChipAt] = ()) -> ExposureRecord:
        """Record a planned exposure; `chips` says who lies where, for the history of lots and chips."""
        values = {
            "id": new_id("x"),
            "bench_id": self._bench_id,
            "lamp_id": lamp_id,
            "state": str(ExposureState.PLANNED),
            "plan": dict(plan),
            "outcome": None,
            "created_at": self._clock.utc_now(),
            "ended_at": None,
        }
        with self._database.write(durable=True) as writing:
            writing.connection.execute(EXPOSURES.insert(), values)
            if chips:
                rows = [asdict(chip) | {"exposure_id": values["id"]} for chip in chips]
                writing.connection.execute(EXPOSURE_CHIPS.insert(), rows)
            self._tell(writing, str(values["id"]), ExposureState.PLANNED)
            record = self._fetch(writing.connection, str(values["id"]))
        self._events.prune_when_due(1)
        return record

    def get(self, id_or_number: str) -> ExposureRecord:
        """Return an exposure by its id or number; BenchError `not-found`."""
        with self._database.read() as connection:
            return self._fetch(connection, id_or_number)

    def list(
        self,
        *,
        states: Collection[ExposureState] | None = None,
        lamp_id: str | None = None,
        lot_id: str | None = None,
        chip_id: str | None = None,
        limit: int = 50,
    ) -> tuple[ExposureRecord, ...]:
        """Return exposures, newest first: all, or those of a lamp, or with chips of a lot, or with a chip."""
        query = sa.select(EXPOSURES).where(EXPOSURES.c.bench_id == self._bench_id)
        if states is not None:
            query = query.where(EXPOSURES.c.state.in_([str(state) for state in states]))
        if lamp_id is not None:
            query = query.where(EXPOSURES.c.lamp_id == lamp_id)
        for column, wanted in ((EXPOSURE_CHIPS.c.lot_id, lot_id), (EXPOSURE_CHIPS.c.chip_id, chip_id)):
            if wanted is not None:
                query = query.where(
                    EXPOSURES.c.id.in_(sa.select(EXPOSURE_CHIPS.c.exposure_id).where(column == wanted))
                )
        with self._database.read() as connection:
            rows = list(connection.execute(query.order_by(EXPOSURES.c.number.desc()).limit(limit)))
            return tuple(_whole(connection, row) for row in rows)

    def move(
        self,
        exposure_id: str,
        state: ExposureState,
        *,
        outcome: Mapping[str, Any] | None = None,
        plan: Mapping[str, Any] | None = None,
        begin: Span | None = None,
        end: Span | None = None,
    ) -> ExposureRecord:
        """Move to a state, and begin or end a span of light in the same transaction.

        `begin.id` is not looked at; `end` names a span by its id and holds what is to stand there. Raises
        BenchError: `not-found`; `exposure-state` for a move that is not in `EXPOSURE_MOVES`.
        """
        with self._database.write(durable=True) as writing:
            old = self._fetch(writing.connection, exposure_id)
            if state not in EXPOSURE_MOVES[old.state]:
                raise BenchError(
                    Code.EXPOSURE_STATE,
                    f"exposure {old.number} is {old.state}: it cannot become {state}",
                    hint="Look at the exposure.",
                )
            values: dict[str, Any] = {"state": str(state)}
            if outcome is not None:
                values["outcome"] = dict(outcome)
            if plan is not None:
                values["plan"] = dict(plan)
            if not EXPOSURE_MOVES[state]:
                values["ended_at"] = self._clock.utc_now()
            writing.connection.execute(EXPOSURES.update().where(EXPOSURES.c.id == old.id).values(values))
            _write_spans(writing, old.id, begin, end)
            self._tell(writing, old.id, state)
            record = self._fetch(writing.connection, old.id)
        self._events.prune_when_due(1)
        return record

    def replan(self, exposure_id: str, plan: Mapping[str, Any]) -> ExposureRecord:
        """Put another plan in place of the present one (chips taken out, bits counted at the start)."""
        with self._database.write(durable=True) as writing:
            old = self._fetch(writing.connection, exposure_id)
            writing.connection.execute(
                EXPOSURES.update().where(EXPOSURES.c.id == old.id).values(plan=dict(plan))
            )
            self._tell(writing, old.id, old.state)
            record = self._fetch(writing.connection, old.id)
        self._events.prune_when_due(1)
        return record

    def add_reading(
        self,
        exposure_id: str,
        *,
        place: int,
        at: datetime,
        effective_s: float,
        bits_left: int,
        vcc_v: float,
        reads: int,
        job_id: str | None,
    ) -> ExposureRecord:
        """Record a count. Raises BenchError `not-found`."""
        with self._database.write(durable=True) as writing:
            old = self._fetch(writing.connection, exposure_id)
            values = {
                "exposure_id": old.id,
                "place": place,
                "at": at,
                "effective_s": effective_s,
                "bits_left": bits_left,
                "vcc_v": vcc_v,
                "reads": reads,
                "job_id": job_id,
            }
            given_id(writing.connection.execute(EXPOSURE_READINGS.insert(), values))
            told = {"exposure_id": old.id, "place": place, "bits_left": bits_left, "vcc_v": vcc_v}
            self._events.add(writing, [NewEvent(READING_EVENT, told, job_id=job_id)])
            record = self._fetch(writing.connection, old.id)
        self._events.prune_when_due(1)
        return record

    def _tell(self, writing: Writing, exposure_id: str, state: ExposureState) -> None:
        data = {"exposure_id": exposure_id, "state": str(state)}
        self._events.add(writing, [NewEvent(EXPOSURE_EVENT, data)])

    def _fetch(self, connection: Connection, id_or_number: str) -> ExposureRecord:
        wanted = EXPOSURES.c.id == id_or_number
        if id_or_number.isascii() and id_or_number.isdigit() and len(id_or_number) < 18:
            wanted = sa.or_(wanted, EXPOSURES.c.number == int(id_or_number))
        query = sa.select(EXPOSURES).where(EXPOSURES.c.bench_id == self._bench_id, wanted)
        row = connection.execute(query).first()
        if row is None:
            raise BenchError(
                Code.NOT_FOUND,
                f"there is no exposure '{id_or_number[:80]}' on this bench",
                hint="List the exposures.",
            )
        return _whole(connection, row)


def _whole(connection: Connection, row: Row[Any]) -> ExposureRecord:
    values = {name: value for name, value in row._mapping.items() if name != "bench_id"}
    values["state"] = ExposureState(values["state"])
    return ExposureRecord(
        **values,
        spans=tuple(Span(**each) for each in _parts(connection, EXPOSURE_SPANS, values["id"])),
        readings=tuple(ReadingRecord(**each) for each in _parts(connection, EXPOSURE_READINGS, values["id"])),
    )


def _parts(connection: Connection, table: sa.Table, exposure_id: str) -> list[dict[str, Any]]:
    query = sa.select(table).where(table.c.exposure_id == exposure_id).order_by(table.c.id)
    return [
        {name: value for name, value in row._mapping.items() if name != "exposure_id"}
        for row in connection.execute(query)
    ]


def _write_spans(writing: Writing, exposure_id: str, begin: Span | None, end: Span | None) -> None:
    if end is not None:
        ended = {"ended_at": end.ended_at, "lit_s": end.lit_s, "origin": end.origin}
        writing.connection.execute(EXPOSURE_SPANS.update().where(EXPOSURE_SPANS.c.id == end.id).values(ended))
    if begin is not None:
        writing.connection.execute(
            EXPOSURE_SPANS.insert(),
            {
                "exposure_id": exposure_id,
                "began_at": begin.began_at,
                "ended_at": begin.ended_at,
                "lit_s": begin.lit_s,
                "cold": begin.cold,
                "origin": begin.origin,
            },
        )
