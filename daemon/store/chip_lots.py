"""Chips by lot, and single chips that have a number of their own: cycles, failures."""

from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Row

from daemon.clock import Clock
from daemon.errors import BenchError, Code
from daemon.store.database import Database
from daemon.store.exposure_model import ChipRecord, LotRecord
from daemon.store.model import new_id
from daemon.store.names import checked_name
from daemon.store.schema import CHIPS, LOTS


class ChipLots:
    """Lots and chips of this bench. Every change is durable when its call returns."""

    def __init__(self, database: Database, clock: Clock, bench_id: str) -> None:
        self._database = database
        self._clock = clock
        self._bench_id = bench_id

    def add_lot(self, name: str, part_id: str, chips: int, note: str = "") -> LotRecord:
        """Record a lot. Raises BenchError: `name-invalid`, `name-taken`."""
        tidy = checked_name(name, "a lot")
        record = LotRecord(new_id("lot"), tidy, part_id, chips, note, 0, 0, self._clock.utc_now())
        self._insert(LOTS, LOTS.c.name, record.name, record)
        return record

    def add_chip(self, number: str, part_id: str, lot_id: str | None = None) -> ChipRecord:
        """Record a chip by the number on it. Raises BenchError: `name-invalid`, `name-taken`, `not-found`."""
        if lot_id is not None:
            lot_id = self.lot(lot_id).id
        tidy = checked_name(number, "a chip")
        record = ChipRecord(new_id("chip"), tidy, part_id, lot_id, 0, 0, self._clock.utc_now())
        self._insert(CHIPS, CHIPS.c.number, record.number, record)
        return record

    def lot(self, name_or_id: str) -> LotRecord:
        """Return a lot by its id or name; BenchError `not-found`."""
        with self._database.read() as connection:
            return LotRecord(**self._fetch(connection, LOTS, LOTS.c.name, name_or_id, "lot"))

    def chip(self, number_or_id: str) -> ChipRecord:
        """Return a chip by its id or number; BenchError `not-found`."""
        with self._database.read() as connection:
            return ChipRecord(**self._fetch(connection, CHIPS, CHIPS.c.number, number_or_id, "chip"))

    def lots(self) -> tuple[LotRecord, ...]:
        """Return every lot, by name."""
        return tuple(LotRecord(**row) for row in self._all(LOTS, LOTS.c.name))

    def chips(self) -> tuple[ChipRecord, ...]:
        """Return every chip that has a number, by number."""
        return tuple(ChipRecord(**row) for row in self._all(CHIPS, CHIPS.c.number))

    def count(
        self, *, lots: tuple[str, ...] = (), chips: tuple[str, ...] = (), cycles: int = 0, failures: int = 0
    ) -> None:
        """Add erase cycles and failures to lots and chips, by id."""
        with self._database.write(durable=True) as writing:
            for table, ids in ((LOTS, lots), (CHIPS, chips)):
                if ids:
                    values = {"cycles": table.c.cycles + cycles, "failures": table.c.failures + failures}
                    writing.connection.execute(table.update().where(table.c.id.in_(ids)).values(values))

    def _insert(self, table: sa.Table, column: sa.Column[Any], name: str, record: Any) -> None:
        with self._database.write(durable=True) as writing:
            query = sa.select(table.c.id).where(table.c.bench_id == self._bench_id, column == name)
            if writing.connection.scalar(query) is not None:
                raise BenchError(
                    Code.NAME_TAKEN, f"there is '{name}' already", hint="Choose another.", field="name"
                )
            values = {field: getattr(record, field) for field in type(record).__slots__}
            writing.connection.execute(table.insert(), values | {"bench_id": self._bench_id})

    def _fetch(
        self, connection: Connection, table: sa.Table, column: sa.Column[Any], name: str, what: str
    ) -> dict[str, Any]:
        query = sa.select(table).where(
            table.c.bench_id == self._bench_id, sa.or_(table.c.id == name, column == name)
        )
        row = connection.execute(query).first()
        if row is None:
            raise BenchError(Code.NOT_FOUND, f"there is no {what} '{name[:80]}' on this bench")
        return _values(row)

    def _all(self, table: sa.Table, order: sa.Column[Any]) -> list[dict[str, Any]]:
        query = sa.select(table).where(table.c.bench_id == self._bench_id).order_by(order)
        with self._database.read() as connection:
            return [_values(row) for row in connection.execute(query)]


def _values(row: Row[Any]) -> dict[str, Any]:
    return {name: value for name, value in row._mapping.items() if name != "bench_id"}
