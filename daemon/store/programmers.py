"""The programmers that were ever seen, and the names their users gave them."""

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Row

from daemon.clock import Clock
from daemon.errors import BenchError, Code
from daemon.store.database import Database
from daemon.store.events import Events
from daemon.store.model import EventType, NewEvent, ProgrammerRecord
from daemon.store.schema import PROGRAMMERS

NAME_LENGTH_MAX = 64


class Programmers:
    """Programmers of every bench on this database: one that is carried to another bench keeps its name."""

    def __init__(self, database: Database, events: Events, clock: Clock) -> None:
        self._database = database
        self._events = events
        self._clock = clock

    def upsert(self, programmer_id: str, *, serial: str | None, info: Mapping[str, Any]) -> ProgrammerRecord:
        """Record that a programmer was seen now; its name stays. Not durable: it will be seen again."""
        # A board may pad its texts with U+0000, which PostgreSQL refuses.
        serial = serial.replace("\0", "\ufffd") if serial else serial
        values = {"serial": serial, "info": dict(info), "last_seen_at": self._clock.utc_now()}
        with self._database.write(durable=False) as writing:
            connection = writing.connection
            known = connection.execute(
                PROGRAMMERS.update().where(PROGRAMMERS.c.id == programmer_id).values(values)
            )
            if known.rowcount == 0:
                connection.execute(PROGRAMMERS.insert().values(id=programmer_id, name=None, **values))
            return _fetch(connection, programmer_id)

    def get(self, programmer_id: str) -> ProgrammerRecord:
        """Return a programmer by its id; BenchError `not-found`."""
        with self._database.read() as connection:
            return _fetch(connection, programmer_id)

    def find(self, name_or_id: str) -> ProgrammerRecord | None:
        """Return the programmer that has this id or this name."""
        wanted = sa.or_(PROGRAMMERS.c.id == name_or_id, PROGRAMMERS.c.name == name_or_id)
        with self._database.read() as connection:
            row = connection.execute(sa.select(PROGRAMMERS).where(wanted)).first()
        return _record(row) if row else None

    def list(self) -> tuple[ProgrammerRecord, ...]:
        """Return every programmer, by id."""
        with self._database.read() as connection:
            return tuple(map(_record, connection.execute(sa.select(PROGRAMMERS).order_by(PROGRAMMERS.c.id))))

    def rename(self, programmer_id: str, name: str | None) -> ProgrammerRecord:
        """Give a programmer a name, or take it away with None. Durable when this returns.

        Raises BenchError: `not-found`; `name-invalid`; `name-taken` when another programmer has it as its
        name or id, since either may be typed to mean a programmer.
        """
        wanted = None if name is None else _checked(name)
        with self._database.write(durable=True) as writing:
            connection = writing.connection
            old = _fetch(connection, programmer_id)
            clash = sa.select(PROGRAMMERS.c.id).where(
                sa.or_(PROGRAMMERS.c.id == wanted, PROGRAMMERS.c.name == wanted), PROGRAMMERS.c.id != old.id
            )
            taken_by = connection.scalar(clash) if wanted is not None else None
            if taken_by is not None:
                raise BenchError(
                    Code.NAME_TAKEN,
                    f"'{wanted}' is already the name or the id of programmer {taken_by}",
                    hint="choose another name, or take the name from that programmer first",
                    field="name",
                )
            connection.execute(
                PROGRAMMERS.update().where(PROGRAMMERS.c.id == programmer_id).values(name=wanted)
            )
            told = {"from": old.name, "name": wanted}
            self._events.add(
                writing, [NewEvent(EventType.PROGRAMMER_RENAMED, told, programmer_id=programmer_id)]
            )
            record = _fetch(connection, programmer_id)
        self._events.prune_when_due(1)
        return record


def _checked(name: str) -> str:
    tidy = name.strip()
    if not tidy or len(tidy) > NAME_LENGTH_MAX or not tidy.isprintable() or "/" in tidy:
        raise BenchError(
            Code.NAME_INVALID,
            f"{name!r} cannot be a programmer's name",
            hint=f"1 to {NAME_LENGTH_MAX} printable characters without a slash",
            field="name",
        )
    return tidy


def _fetch(connection: Connection, programmer_id: str) -> ProgrammerRecord:
    row = connection.execute(sa.select(PROGRAMMERS).where(PROGRAMMERS.c.id == programmer_id)).one_or_none()
    if row is None:
        raise BenchError(Code.NOT_FOUND, f"there is no programmer '{programmer_id}' on this bench")
    return _record(row)


def _record(row: Row[Any]) -> ProgrammerRecord:
    return ProgrammerRecord(**row._mapping)
