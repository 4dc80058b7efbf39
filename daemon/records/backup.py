"""Making a backup: one moment of the database, the contents it names, and the user's own files."""

import contextlib
import json
import os
import secrets
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from daemon.durable import PART_SUFFIX, open_part, sync_directory, sync_file
from daemon.errors import BenchError, Code
from daemon.records.archive import Archive, ArchiveWriter, Manifest, write_manifest
from daemon.records.export import plain
from daemon.store.blobs import Blobs
from daemon.store.database import Database
from daemon.store.schema import EVENTS, IDEMPOTENCY, IMAGES, METADATA, REVISIONS

LEFT_OUT = frozenset({IDEMPOTENCY.name, EVENTS.name})
"""Tables that only serve clients of today: events tell what the records hold anyway."""

_ROWS_AT_ONCE = 500
_DOWNLOAD = ".backup-"


@dataclass(frozen=True, slots=True)
class OwnFiles:
    """Where the user's own files are, by their folder in the backup."""

    boards: Path
    parts: Path
    adapters: Path

    def found(self) -> Iterator[tuple[str, Path]]:
        """Yield each file with its name in the backup."""
        for folder, path in (("boards", self.boards), ("parts", self.parts), ("adapters", self.adapters)):
            for file in sorted(path.iterdir()) if path.is_dir() else ():
                # As those who read them do: on Linux a glob would pass over X.TOML.
                if file.suffix.lower() == ".toml" and file.is_file():
                    yield f"{folder}/{file.name}", file


def place_for_download(folder: Path) -> Path:
    """Return a new name in `folder` for a backup that is only made to be handed out."""
    return folder / f"{_DOWNLOAD}{secrets.token_hex(8)}{PART_SUFFIX}"


def clear_leftovers(folder: Path) -> None:
    """Remove what a killed daemon left of backups to be handed out: each is as large as the bench."""
    for pattern in (f"{_DOWNLOAD}*{PART_SUFFIX}", f".{_DOWNLOAD}*{PART_SUFFIX}"):
        for leftover in folder.glob(pattern):
            with contextlib.suppress(OSError):
                leftover.unlink()


def make_backup(
    path: Path, database: Database, blobs: Blobs, own: OwnFiles, bench_id: str, made_at: datetime
) -> Manifest:
    """Write a backup to `path`, read it again and compare it; a file that was there is replaced only then.

    Contents that are gone are named in the manifest, not passed over in silence. Raises BenchError:
    `disk-full`, `store-...`, `name-invalid` for an own file whose name not every system can write,
    `backup-invalid` when the disk does not give back what was written.
    """
    try:
        descriptor, part = open_part(path)
    except OSError as error:
        raise _unwritable(path, error) from error
    try:
        with os.fdopen(descriptor, "wb") as file:
            with zipfile.ZipFile(file, "w", compression=zipfile.ZIP_DEFLATED, compresslevel=3) as into:
                manifest = _write(into, database, blobs, own, bench_id, made_at)
            file.flush()
            sync_file(file.fileno())
        with contextlib.closing(Archive(part)) as written:
            written.check()
        os.replace(part, path)
        sync_directory(path.parent)
    except OSError as error:
        raise _unwritable(path, error) from error
    finally:
        part.unlink(missing_ok=True)
    return manifest


def _write(
    into: zipfile.ZipFile,
    database: Database,
    blobs: Blobs,
    own: OwnFiles,
    bench_id: str,
    made_at: datetime,
) -> Manifest:
    writer = ArchiveWriter(into)
    rows: dict[str, int] = {}
    with database.snapshot() as connection:
        for table in METADATA.sorted_tables:
            if table.name not in LEFT_OUT:
                counted = _Counted(_rows(connection, table))
                writer.add(f"tables/{table.name}.jsonl", counted.lines())
                rows[table.name] = counted.count
        ours = sa.select(IMAGES.c.sha256).where(IMAGES.c.bench_id == bench_id)
        digests = list(connection.scalars(ours.order_by(IMAGES.c.sha256)))
    missing = []
    for digest in digests:
        try:
            writer.add(f"images/{digest}", iter((blobs.get(digest),)))
        except BenchError:
            missing.append(digest)
    for name, file in own.found():
        writer.add(name, iter((file.read_bytes(),)))
    manifest = Manifest(
        REVISIONS[-1],
        bench_id,
        made_at.isoformat(),
        f"romwright {version('romwright')}",
        rows,
        writer.entries,
        tuple(missing),
    )
    write_manifest(into, manifest)
    return manifest


@dataclass(slots=True)
class _Counted:
    """Turns rows into lines and counts them on their way."""

    rows: Iterator[dict[str, Any]]
    count: int = 0

    def lines(self) -> Iterator[bytes]:
        for row in self.rows:
            self.count += 1
            yield json.dumps(row, default=plain, ensure_ascii=False).encode() + b"\n"


def _rows(connection: Connection, table: sa.Table) -> Iterator[dict[str, Any]]:
    # In the order of the key: what refers to an earlier row of its own table comes after it.
    query = sa.select(table).order_by(*table.primary_key.columns).execution_options(yield_per=_ROWS_AT_ONCE)
    for row in connection.execute(query):
        yield dict(row._mapping)


def _unwritable(path: Path, error: OSError) -> BenchError:
    at = f"{error.filename}: " if error.filename and str(error.filename) != str(path) else ""
    return BenchError(
        Code.DISK_FULL,
        f"{path}: the backup cannot be written ({at}{error.strerror or error})",
        hint="Make room, or name another place. A backup that was there before is still there.",
    )
