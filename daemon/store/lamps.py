"""The lamps of this bench, and what meters read under them."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Row

from daemon.clock import Clock
from daemon.errors import BenchError, Code
from daemon.store.database import Database
from daemon.store.events import given_id
from daemon.store.exposure_model import LampRecord, MeterRecord
from daemon.store.model import new_id
from daemon.store.names import checked_name
from daemon.store.schema import EXPOSURES, LAMPS, METER_READINGS


class Lamps:
    """Lamps by id or name. Every change is durable when its call returns."""

    def __init__(self, database: Database, clock: Clock, bench_id: str) -> None:
        self._database = database
        self._clock = clock
        self._bench_id = bench_id

    def add(self, name: str, spec: Mapping[str, Any], hours: float | None) -> LampRecord:
        """Record a lamp. Raises BenchError: `name-invalid`, `name-taken`."""
        now = self._clock.utc_now()
        record = LampRecord(new_id("l"), checked_name(name, "a lamp"), dict(spec), hours, now, now)
        with self._database.write(durable=True) as writing:
            self._refuse_taken(writing.connection, record.name)
            values = {field: getattr(record, field) for field in LampRecord.__slots__}
            writing.connection.execute(LAMPS.insert(), values | {"bench_id": self._bench_id})
        return record

    def get(self, name_or_id: str) -> LampRecord:
        """Return a lamp by its id or name; BenchError `not-found`."""
        with self._database.read() as connection:
            return self._fetch(connection, name_or_id)

    def list(self) -> tuple[LampRecord, ...]:
        """Return every lamp, by name."""
        query = sa.select(LAMPS).where(LAMPS.c.bench_id == self._bench_id).order_by(LAMPS.c.name)
        with self._database.read() as connection:
            return tuple(map(_lamp, connection.execute(query)))

    def change(
        self,
        name_or_id: str,
        *,
        name: str | None = None,
        spec: Mapping[str, Any] | None = None,
        hours: float | None = None,
        tubes_since: datetime | None = None,
    ) -> LampRecord:
        """Change what is given; None leaves it. Raises BenchError as `add`, and `not-found`."""
        given = {"spec": None if spec is None else dict(spec), "hours": hours, "tubes_since": tubes_since}
        values: dict[str, Any] = {field: value for field, value in given.items() if value is not None}
        with self._database.write(durable=True) as writing:
            old = self._fetch(writing.connection, name_or_id)
            if name is not None and name != old.name:
                values["name"] = checked_name(name, "a lamp")
                self._refuse_taken(writing.connection, values["name"])
            if values:
                writing.connection.execute(LAMPS.update().where(LAMPS.c.id == old.id).values(values))
            return self._fetch(writing.connection, old.id)

    def delete(self, name_or_id: str) -> None:
        """Forget a lamp. Raises BenchError: `not-found`; `lamp-in-use` once exposures name it."""
        with self._database.write(durable=True) as writing:
            old = self._fetch(writing.connection, name_or_id)
            count = writing.connection.scalar(
                sa.select(sa.func.count()).select_from(EXPOSURES).where(EXPOSURES.c.lamp_id == old.id)
            )
            if count:
                raise BenchError(
                    Code.LAMP_IN_USE,
                    f"{count} exposures were made under the lamp '{old.name}'",
                    hint="Keep it for their sake; it may be renamed.",
                )
            writing.connection.execute(METER_READINGS.delete().where(METER_READINGS.c.lamp_id == old.id))
            writing.connection.execute(LAMPS.delete().where(LAMPS.c.id == old.id))

    def add_meter_reading(
        self,
        name_or_id: str,
        *,
        along_mm: float,
        across_mm: float,
        measured_mw_per_cm2: float,
        tolerance: float,
    ) -> MeterRecord:
        """Record what a meter read at a place. Raises BenchError `not-found`."""
        with self._database.write(durable=True) as writing:
            lamp = self._fetch(writing.connection, name_or_id)
            values = {
                "lamp_id": lamp.id,
                "at": self._clock.utc_now(),
                "along_mm": along_mm,
                "across_mm": across_mm,
                "measured_mw_per_cm2": measured_mw_per_cm2,
                "tolerance": tolerance,
            }
            result = writing.connection.execute(METER_READINGS.insert(), values)
            return MeterRecord(id=given_id(result), **values)  # type: ignore[arg-type]

    def meter_readings(self, lamp_id: str) -> tuple[MeterRecord, ...]:
        """Return what meters read under a lamp, oldest first."""
        query = (
            sa.select(METER_READINGS).where(METER_READINGS.c.lamp_id == lamp_id).order_by(METER_READINGS.c.id)
        )
        with self._database.read() as connection:
            return tuple(MeterRecord(**row._mapping) for row in connection.execute(query))

    def _fetch(self, connection: Connection, name_or_id: str) -> LampRecord:
        query = sa.select(LAMPS).where(
            LAMPS.c.bench_id == self._bench_id,
            sa.or_(LAMPS.c.id == name_or_id, LAMPS.c.name == name_or_id),
        )
        row = connection.execute(query).first()
        if row is None:
            raise BenchError(
                Code.NOT_FOUND, f"there is no lamp '{name_or_id[:80]}' on this bench", hint="List the lamps."
            )
        return _lamp(row)

    def _refuse_taken(self, connection: Connection, name: str) -> None:
        query = sa.select(LAMPS.c.id).where(
            LAMPS.c.bench_id == self._bench_id, sa.or_(LAMPS.c.name == name, LAMPS.c.id == name)
        )
        if connection.scalar(query) is not None:
            raise BenchError(
                Code.NAME_TAKEN, f"there is a lamp '{name}' already", hint="Choose another.", field="name"
            )


def _lamp(row: Row[Any]) -> LampRecord:
    return LampRecord(**{field: row._mapping[field] for field in LampRecord.__slots__})
