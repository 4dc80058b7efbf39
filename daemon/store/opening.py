"""Open a database whatever its age: make a new one, migrate an older one, leave a newer or strange one alone.

Alembic costs a third of a second to import, so it is only imported when there is something to migrate. A new
database is made from the tables in `schema` and stamped with the newest revision.
"""

import contextlib
import os
import shutil
import sqlite3
from dataclasses import dataclass
from enum import Enum, auto
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.engine import URL, Connection
from sqlalchemy.exc import DBAPIError

from daemon.durable import PART_SUFFIX, PRIVATE_FILE_MODE, sync_directory, sync_file
from daemon.errors import BenchError, Code
from daemon.store import dialects
from daemon.store.database import Database
from daemon.store.schema import METADATA, REVISIONS, VERSION, VERSION_METADATA


@dataclass(frozen=True, slots=True)
class Migrations:
    """A folder of Alembic scripts and their revisions, oldest first."""

    folder: Path
    revisions: tuple[str, ...]

    @property
    def newest(self) -> str:
        """The revision that this version of the program reads and writes."""
        return self.revisions[-1]


CHECK_LIMIT_BYTES = 128 * 1024 * 1024
"""Up to this size all pages are checked after a crash: about half a second (20 MiB took 0.07 s)."""

OURS = Migrations(Path(__file__).parent / "migrations", REVISIONS)


class _Age(Enum):
    EMPTY = auto()
    OLDER = auto()
    CURRENT = auto()


def open_database(url_text: str, migrations: Migrations = OURS) -> Database:
    """Open the store's database and bring it to the newest revision.

    An older SQLite file is copied to `NAME.before-REVISION` first. Raises BenchError: `store-newer` or
    `store-foreign` (nothing was touched), `store-damaged`, `store-migration` (the old state stands),
    `disk-full`, `store-busy`, `store-unreachable`.
    """
    url = dialects.parse_url(url_text)
    if dialects.is_sqlite(url):
        _look_at_file(Path(str(url.database)), url, migrations)
    engine = dialects.make_engine(url)
    try:
        database = Database(engine)
        with database.read() as connection:
            age = _age(connection, url, migrations)
        if age is not _Age.CURRENT:
            _bring_up(database, url, migrations)
    except BaseException:
        engine.dispose()
        raise
    return database


def make_at(url_text: str, revision: str) -> Database:
    """Open an empty database and give it the tables of an older revision, for rows of that time.

    Raises BenchError as `open_database`; a database that has tables is opened as it is.
    """
    if revision == OURS.newest:
        return open_database(url_text)
    engine = dialects.make_engine(dialects.parse_url(url_text))
    database = Database(engine)
    try:
        with database.write(durable=True) as writing:
            dialects.lock_schema(writing.connection)
            if not sa.inspect(writing.connection).get_table_names():
                until = OURS.revisions[: OURS.revisions.index(revision) + 1]
                run_alembic(writing.connection, Migrations(OURS.folder, until))
    except BaseException:
        database.close()
        raise
    return database


def _bring_up(database: Database, url: URL, migrations: Migrations) -> None:
    with database.write(durable=True) as writing:
        dialects.lock_schema(writing.connection)
        age = _age(writing.connection, url, migrations)  # again: another bench may have been quicker
        if age is _Age.EMPTY:
            METADATA.create_all(writing.connection)
            VERSION_METADATA.create_all(writing.connection)
            writing.connection.execute(VERSION.insert().values(version_num=migrations.newest))
    if age is _Age.OLDER:
        copy = copy_before(Path(str(url.database)), migrations.newest) if dialects.is_sqlite(url) else None
        database.engine.dispose()
        _upgrade(url, migrations, copy)


def _age(connection: Connection, url: URL, migrations: Migrations) -> _Age:
    tables = sa.inspect(connection).get_table_names()
    if not tables:
        return _Age.EMPTY
    name = url.database if dialects.is_sqlite(url) else url.render_as_string(hide_password=True)
    versions = list(connection.scalars(sa.select(VERSION.c.version_num))) if VERSION.name in tables else []
    if len(versions) != 1 or "jobs" not in tables:
        raise BenchError(
            Code.STORE_FOREIGN,
            f"{name}: this database holds tables that are not a bench's; it was left as it is",
            hint="name another file or database in the setting database_url",
            field="database_url",
        )
    if versions[0] == migrations.newest:
        return _Age.CURRENT
    if versions[0] in migrations.revisions:
        return _Age.OLDER
    raise BenchError(
        Code.STORE_NEWER,
        f"{name}: written by a newer version (its schema is '{versions[0]}', the newest known here is "
        f"'{migrations.newest}'); it was left as it is",
        hint="install the newer version again, or name another database in the setting database_url",
        field="database_url",
        details={"found": versions[0], "newest_known": migrations.newest},
    )


def _look_at_file(path: Path, url: URL, migrations: Migrations) -> None:
    """Refuse a SQLite file that is newer, strange or damaged before anything could change it."""
    if not path.exists():
        _make_private(path)
        return
    # A clean stop folds the log into the file and removes it. One that is still there tells of a crash, and
    # only then are all pages worth checking.
    log = path.with_name(path.name + "-wal")
    crashed = log.exists() and log.stat().st_size > 0 and path.stat().st_size <= CHECK_LIMIT_BYTES
    engine = dialects.make_readonly_engine(str(path))
    try:
        with engine.connect() as connection:
            _age(connection, url, migrations)
            if crashed and (found := connection.scalar(sa.text("PRAGMA quick_check(1)"))) != "ok":
                raise BenchError(
                    Code.STORE_DAMAGED,
                    f"{path}: the database is damaged ({found}); it was left as it is",
                    hint="move the file aside, or put a copy back; image contents are kept beside it",
                )
    except DBAPIError as error:
        known = dialects.as_bench_error(error, url)
        if known is None:
            raise
        raise known from error
    finally:
        engine.dispose()


def _make_private(path: Path) -> None:
    flags = os.O_CREAT | os.O_EXCL | os.O_WRONLY
    try:
        with contextlib.suppress(FileExistsError):
            os.close(os.open(path, flags, PRIVATE_FILE_MODE))
            # SQLite syncs the folder for the files that it makes itself, and this one is ours.
            sync_directory(path.parent)
    except OSError as error:
        raise BenchError(
            Code.STORE_UNREACHABLE,
            f"{path}: the database file cannot be made ({error.strerror})",
            hint="check that the folder exists and that this user may write in it",
            field="database_url",
        ) from error


def copy_before(path: Path, revision: str) -> Path:
    """Copy a SQLite database, with what its log holds, to `NAME.before-REVISION`; return the copy's path.

    An earlier copy is never replaced. Raises BenchError `disk-full` when the copy would not leave as much
    room again for the migration itself.
    """
    need_bytes = 2 * path.stat().st_size
    free_bytes = shutil.disk_usage(path.parent).free
    if free_bytes < need_bytes:
        raise BenchError(
            Code.DISK_FULL,
            f"{path}: {free_bytes} bytes are free, {need_bytes} are needed to migrate it safely",
            hint="free some space, then start again; the database was left as it is",
            details={"free_bytes": free_bytes, "needed_bytes": need_bytes},
        )
    copy = free_name(path.with_name(f"{path.name}.before-{revision}"))
    part = copy.with_name(copy.name + PART_SUFFIX)
    part.unlink(missing_ok=True)
    _make_private(part)
    with (
        contextlib.closing(sqlite3.connect(path)) as source,
        contextlib.closing(sqlite3.connect(part)) as target,
    ):
        source.backup(target)
    descriptor = os.open(part, os.O_RDWR)
    try:
        sync_file(descriptor)
    finally:
        os.close(descriptor)
    os.replace(part, copy)
    sync_directory(copy.parent)
    return copy


def free_name(wanted: Path) -> Path:
    """Return `wanted`, or with a number after it where that is taken."""
    name, count = wanted, 1
    while name.exists():
        count += 1
        name = wanted.with_name(f"{wanted.name}-{count}")
    return name


def _upgrade(url: URL, migrations: Migrations, copy: Path | None) -> None:
    engine = dialects.make_engine(url, foreign_keys=False)
    try:
        with Database(engine).write(durable=True) as writing:
            dialects.lock_schema(writing.connection)
            run_alembic(writing.connection, migrations)
            _check_references(writing.connection)
    except BenchError:
        raise
    except Exception as error:  # a migration may fail in any way; all of them mean the same to the user
        kept = f" A copy is in {copy}." if copy else ""
        raise BenchError(
            Code.STORE_MIGRATION,
            f"the store could not be brought to schema '{migrations.newest}' ({error})."
            f" It stands as it was.{kept}",
            hint="install the version that wrote it again, and report this message",
        ) from error
    finally:
        engine.dispose()


def run_alembic(connection: Connection, migrations: Migrations) -> None:
    """Run every script that is still to come, inside the transaction of `connection`."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(migrations.folder).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, migrations.newest)


def _check_references(connection: Connection) -> None:
    if connection.dialect.name == "sqlite" and connection.exec_driver_sql("PRAGMA foreign_key_check").first():
        raise ValueError("a migration left rows that refer to nothing")
