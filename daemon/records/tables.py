"""The tables that can be given out whole, each as a query: jobs, lots, chips, sets and exposures."""

from collections.abc import Iterator
from dataclasses import asdict, fields
from enum import StrEnum
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from daemon.records.model import Record, Search
from daemon.records.search import LIMIT_MAX, find
from daemon.store.schema import (
    BATCH_CHIPS,
    BATCHES,
    CHIPS,
    EXPOSURE_CHIPS,
    EXPOSURE_SPANS,
    EXPOSURES,
    JOBS,
    LAMPS,
    LOTS,
)


class Table(StrEnum):
    """What can be given out."""

    JOBS = "jobs"
    LOTS = "lots"
    CHIPS = "chips"
    SETS = "sets"
    """Every chip of every batch, set by set."""
    EXPOSURES = "exposures"
    """Every chip of every exposure."""


def _jobs_of(column: sa.ColumnElement[Any], of: sa.ColumnElement[Any]) -> sa.ScalarSelect[int]:
    return sa.select(sa.func.count()).select_from(JOBS).where(column == of).scalar_subquery()


_LIT_S = (
    sa.select(sa.func.sum(EXPOSURE_SPANS.c.lit_s))
    .where(EXPOSURE_SPANS.c.exposure_id == EXPOSURES.c.id)
    .scalar_subquery()
)
_QUERIES: dict[Table, tuple[sa.Select[Any], sa.Column[Any]]] = {
    Table.LOTS: (
        sa.select(
            *(LOTS.c.name, LOTS.c.part_id, LOTS.c.chips, LOTS.c.note, LOTS.c.cycles, LOTS.c.failures),
            _jobs_of(JOBS.c.lot_id, LOTS.c.id).label("jobs"),
            *(LOTS.c.created_at, LOTS.c.id),
        ).order_by(LOTS.c.name),
        LOTS.c.bench_id,
    ),
    Table.CHIPS: (
        sa.select(
            *(CHIPS.c.number, CHIPS.c.part_id, LOTS.c.name.label("lot"), CHIPS.c.cycles, CHIPS.c.failures),
            _jobs_of(JOBS.c.chip_id, CHIPS.c.id).label("jobs"),
            *(CHIPS.c.created_at, CHIPS.c.id),
        )
        .outerjoin(LOTS, LOTS.c.id == CHIPS.c.lot_id)
        .order_by(CHIPS.c.number),
        CHIPS.c.bench_id,
    ),
    Table.SETS: (
        sa.select(
            *(BATCHES.c.number.label("batch"), BATCHES.c.board_id, BATCH_CHIPS.c.set_number),
            *(BATCH_CHIPS.c.position, BATCH_CHIPS.c.number.label("chip"), BATCH_CHIPS.c.part_id),
            *(BATCH_CHIPS.c.image_sha256, BATCH_CHIPS.c.verdict, BATCH_CHIPS.c.cause),
            *(BATCH_CHIPS.c.job_id, BATCH_CHIPS.c.at, BATCHES.c.programmer_id),
        )
        .join(BATCHES, BATCHES.c.id == BATCH_CHIPS.c.batch_id)
        .order_by(BATCHES.c.number, BATCH_CHIPS.c.number),
        BATCHES.c.bench_id,
    ),
    Table.EXPOSURES: (
        sa.select(
            *(EXPOSURES.c.number.label("exposure"), LAMPS.c.name.label("lamp"), EXPOSURES.c.state),
            *(EXPOSURE_CHIPS.c.place, EXPOSURE_CHIPS.c.part_id, LOTS.c.name.label("lot")),
            *(CHIPS.c.number.label("chip"), _LIT_S.label("lit_s")),
            *(EXPOSURES.c.created_at, EXPOSURES.c.ended_at),
        )
        .join(EXPOSURES, EXPOSURES.c.id == EXPOSURE_CHIPS.c.exposure_id)
        .join(LAMPS, LAMPS.c.id == EXPOSURES.c.lamp_id)
        .outerjoin(LOTS, LOTS.c.id == EXPOSURE_CHIPS.c.lot_id)
        .outerjoin(CHIPS, CHIPS.c.id == EXPOSURE_CHIPS.c.chip_id)
        .order_by(EXPOSURES.c.number, EXPOSURE_CHIPS.c.place),
        EXPOSURES.c.bench_id,
    ),
}


def columns_of(table: Table) -> tuple[str, ...]:
    """Return the names of a table's columns, in their order."""
    if table is Table.JOBS:
        return tuple(field.name for field in fields(Record))
    return tuple(column.key for column in _QUERIES[table][0].selected_columns if column.key)


def rows_of(connection: Connection, bench_id: str, table: Table, search: Search) -> Iterator[dict[str, Any]]:
    """Yield every row of a table; `search` narrows jobs, and of the others only says whose benches."""
    if table is Table.JOBS:
        yield from _jobs(connection, bench_id, search)
        return
    query, bench = _QUERIES[table]
    if not search.all_benches:
        query = query.where(bench == bench_id)
    # In pieces: PostgreSQL's driver would else take all rows into memory at once.
    for row in connection.execute(query.execution_options(yield_per=LIMIT_MAX)):
        yield dict(row._mapping)


def _jobs(connection: Connection, bench_id: str, search: Search) -> Iterator[dict[str, Any]]:
    before: int | None = None
    while True:
        page = find(connection, bench_id, search, limit=LIMIT_MAX, before=before)
        for record in page.records:
            yield asdict(record)
        before = page.next_before
        if before is None:
            return
