"""Putting a backup back: all of it checked first, then built beside the old state, then changed over."""

import contextlib
import os
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, make_url
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError, ProgrammingError, StatementError

from daemon.clock import SystemClock
from daemon.durable import sync_directory, write_atomically
from daemon.errors import BenchError, Code
from daemon.jobs.outcome import Outcome, OutcomeCode
from daemon.records.archive import Archive, Manifest
from daemon.settings import Settings
from daemon.state_dir import BENCH_ID_FILE, claim, prepare_private_dir
from daemon.store.blobs import Blobs
from daemon.store.dialects import is_sqlite
from daemon.store.model import JobState
from daemon.store.opening import copy_before, free_name, make_at, open_database
from daemon.store.schema import JOBS, METADATA, REVISIONS, VERSION, UtcDateTime

_ROWS_AT_ONCE = 500
_IMAGES = "images"
_BOARDS = "boards"
_FAULTS_OF_A_ROW = (DataError, IntegrityError, ProgrammingError)


@dataclass(frozen=True, slots=True)
class Restored:
    """What was put back. `moved_aside` is the database that was there before."""

    manifest: Manifest
    moved_aside: Path | None
    kept_files: tuple[str, ...]
    """The user's own files that differ from those of the backup, and were left as they are."""


def restore(
    path: Path, settings: Settings, progress: Callable[[int, int], None] = lambda _done, _total: None
) -> Restored:
    """Put a backup into the state directory and the database that the settings name. No daemon may run there.

    A SQLite database that is there is moved aside, never deleted; a PostgreSQL database must be empty. Jobs
    that waited for their turn are cancelled: nothing begins by itself. Contents and own files are added; an
    own file that differs stays as it is and is named. Raises BenchError: `backup-invalid`, `state-dir-busy`,
    `store-newer`, `store-in-use`, `disk-full`; then nothing was changed but that contents and own files may
    have been added.
    """
    with (
        contextlib.closing(Archive(path)) as archive,
        claim(settings.state_dir, settings.runtime_dir) as dirs,
    ):
        if archive.manifest.schema not in REVISIONS:
            raise BenchError(
                Code.STORE_NEWER,
                f"{path}: made by a newer version (schema {archive.manifest.schema}, the newest known here is"
                f" {REVISIONS[-1]})",
                hint="Install the version that made it, or a newer one. Nothing was changed.",
            )
        archive.check(progress)
        blobs = Blobs(dirs.state_dir / _IMAGES)
        blobs.open()
        for digest in archive.names(_IMAGES):
            if blobs.put(archive.read(f"{_IMAGES}/{digest}")) != digest:
                raise archive.invalid(f"image {digest} is not what its name says")
        kept = _put_own_files(archive, settings, dirs.state_dir)
        moved = _put_database(archive, settings.database_url)
        write_atomically(dirs.state_dir / BENCH_ID_FILE, f"{archive.manifest.bench_id}\n".encode("ascii"))
        return Restored(archive.manifest, moved, tuple(kept))


def _put_own_files(archive: Archive, settings: Settings, state_dir: Path) -> list[str]:
    kept = []
    folders = {_BOARDS: state_dir / _BOARDS, "parts": settings.parts_dir, "adapters": settings.adapters_dir}
    for name, folder in folders.items():
        for file in archive.names(name):
            content, there = archive.read(f"{name}/{file}"), folder / file
            if there.exists():
                if there.read_bytes() != content:
                    kept.append(str(there))
                continue
            prepare_private_dir(folder) if name == _BOARDS else folder.mkdir(parents=True, exist_ok=True)
            write_atomically(there, content)
    return kept


def _put_database(archive: Archive, url_text: str) -> Path | None:
    url = make_url(url_text)
    if not is_sqlite(url):
        _fill(archive, url_text)
        return None
    path = Path(str(url.database))
    new = path.with_name(f"{path.name}.restoring")
    for leftover in (new, *new.parent.glob(f"{new.name}-*")):
        leftover.unlink(missing_ok=True)
    _fill(archive, str(url.set(database=str(new))))
    for copy in new.parent.glob(f"{new.name}.before-*"):
        copy.unlink()
    moved = _kept_aside(path) if path.exists() else None
    os.replace(new, path)
    sync_directory(path.parent)
    return moved


def _kept_aside(path: Path) -> Path:
    """Keep the database of before under another name; return that.

    It is copied, so that there is one under the usual name at every moment, also if the power fails. Only a
    damaged one, which cannot be copied, is moved as it is.
    """
    logs = [path.with_name(path.name + suffix) for suffix in ("-wal", "-shm")]
    try:
        kept = copy_before(path, "restore")
    except sqlite3.Error:
        kept = free_name(path.with_name(f"{path.name}.before-restore"))
        for log in logs:
            if log.exists():
                os.replace(log, kept.with_name(kept.name + log.name.removeprefix(path.name)))
        os.replace(path, kept)
    # A log that is left would be taken for that of the new one; what it held is in the copy.
    for log in logs:
        log.unlink(missing_ok=True)
    return kept


def _fill(archive: Archive, url_text: str) -> None:
    """Make the schema of the backup's time, fill it, and let it be brought to today's."""
    database = make_at(url_text, archive.manifest.schema)
    try:
        with database.write(durable=True) as writing:
            _refuse_used(writing.connection)
            for table in METADATA.sorted_tables:
                if f"tables/{table.name}.jsonl" in archive.manifest.entries:
                    _fill_checked(writing.connection, archive, table)
            _cancel_queued(writing.connection)
    finally:
        database.close()
    if archive.manifest.schema != REVISIONS[-1]:
        open_database(url_text).close()


def _cancel_queued(connection: Connection) -> None:
    """Cancel what waited for its turn when the backup was made: it may be done by now.

    Left in the queue it would begin as soon as the daemon does, on whatever chip is in the socket.
    """
    outcome = Outcome(
        OutcomeCode.CANCELLED, "it waited for its turn when the backup was made; the chip was not touched"
    )
    waiting = JOBS.update().where(JOBS.c.state == str(JobState.QUEUED))
    ended = {"state": str(JobState.CANCELLED), "outcome": outcome.to_json()}
    connection.execute(waiting.values(**ended, ended_at=SystemClock().utc_now()))


def _refuse_used(connection: Connection) -> None:
    tables = set(sa.inspect(connection).get_table_names()) - {VERSION.name}
    for table in METADATA.sorted_tables:
        if (
            table.name in tables
            and connection.execute(sa.select(sa.literal(1)).select_from(table).limit(1)).first()
        ):
            raise BenchError(
                Code.STORE_IN_USE,
                f"the database already holds records (in {table.name})",
                hint="Name an empty database or schema in the setting database_url; nothing was changed.",
                field="database_url",
            )


def _fill_checked(connection: Connection, archive: Archive, table: sa.Table) -> None:
    try:
        _fill_table(connection, archive, table)
    except (ValueError, TypeError, OverflowError, RecursionError, StatementError) as error:
        if isinstance(error, DBAPIError) and not isinstance(error, _FAULTS_OF_A_ROW):
            raise  # the disk is full, the database damaged or gone
        first = str(error).splitlines()[0]
        raise archive.invalid(f"tables/{table.name}.jsonl has a row that does not fit ({first})") from error


def _fill_table(connection: Connection, archive: Archive, table: sa.Table) -> None:
    name = f"tables/{table.name}.jsonl"
    waiting: list[dict[str, Any]] = []
    count = 0
    for line in archive.lines(name):
        if not isinstance(line, dict) or not set(line) <= set(table.columns.keys()):
            raise archive.invalid(f"{name} has a row that is none of that table")
        waiting.append({key: _value(table.c[key], value) for key, value in line.items()})
        count += 1
        if len(waiting) == _ROWS_AT_ONCE:
            connection.execute(table.insert(), waiting)
            waiting = []
    if waiting:
        connection.execute(table.insert(), waiting)
    if count != archive.manifest.rows.get(table.name):
        raise archive.invalid(
            f"{name} has {count} rows, its manifest says {archive.manifest.rows.get(table.name)}"
        )
    _count_on(connection, table)


def _value(column: sa.Column[Any], value: Any) -> Any:
    return (
        datetime.fromisoformat(value) if isinstance(column.type, UtcDateTime) and value is not None else value
    )


def _count_on(connection: Connection, table: sa.Table) -> None:
    """Let PostgreSQL's counters go on after the highest number; SQLite sees to that by itself."""
    counter = table.autoincrement_column
    if connection.dialect.name == "postgresql" and counter is not None:
        highest = connection.scalar(sa.select(sa.func.max(counter)))
        if highest is not None:
            sequence = sa.func.pg_get_serial_sequence(table.name, counter.name)
            connection.execute(sa.select(sa.func.setval(sequence, highest)))
