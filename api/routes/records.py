"""What was done: search, tables to take away, and a backup of all of it."""

import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import FileResponse, StreamingResponse
from starlette.background import BackgroundTask

from api.schemas.records import BackupSummary, RecordList
from api.wiring import BenchHere
from daemon.records.backup import place_for_download
from daemon.records.model import Search
from daemon.records.search import LIMIT_MAX
from daemon.records.tables import Table

router = APIRouter(prefix="/v1", tags=["records"])

#: A table that is larger waits on the disk for its client.
_IN_MEMORY_BYTES = 4 << 20
_PIECE_BYTES = 1 << 16


class Form(StrEnum):
    """How a table is given."""

    CSV = "csv"
    """Comma-separated values by RFC 4180, UTF-8, with a heading."""
    JSON = "json"
    """One array, one row a line."""


class Wanted(Search):
    """What to look for, and where to go on."""

    limit: Annotated[int, Query(ge=1, le=LIMIT_MAX)] = 50
    """How many at most."""
    before: Annotated[int, Query(ge=1, le=2**62)] | None = None
    """Only those with a lower number: `next_before` of the page before."""


class WantedTable(Search):
    """Which table, in which form; the search narrows jobs."""

    table: Table = Table.JOBS
    """Which table."""
    form: Form = Form.CSV
    """CSV or JSON."""


_TABLE_RESPONSES: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The whole table.",
        "content": {
            "text/csv": {"schema": {"type": "string"}},
            "application/json": {"schema": {"type": "array", "items": {"type": "object"}}},
        },
    }
}
_BACKUP_RESPONSES: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The backup. The header `Backup` says in JSON what is in it.",
        "headers": {"Backup": {"description": "A BackupSummary.", "schema": {"type": "string"}}},
        "content": {"application/zip": {"schema": {"type": "string", "format": "binary"}}},
    }
}


@router.get("/records")
def search_records(bench: BenchHere, wanted: Annotated[Wanted, Query()]) -> RecordList:
    """Find work by lot, chip, label, digest, checksum, part, day or words; newest first.

    All that is given must fit. Nothing is ever dropped from these records.
    """
    search = Search.model_validate(wanted.model_dump(exclude={"limit", "before"}))
    return RecordList.of(bench.records.find(search, limit=wanted.limit, before=wanted.before))


@router.get("/records/table", response_class=StreamingResponse, responses=_TABLE_RESPONSES)
def export_table(bench: BenchHere, wanted: Annotated[WantedTable, Query()]) -> StreamingResponse:
    """Give out a table whole: jobs, lots, numbered chips, sets of batches, or exposures.

    Text that a spreadsheet would run as a formula has an apostrophe before it in CSV.
    """
    search = Search.model_validate(wanted.model_dump(exclude={"table", "form"}))
    is_csv = wanted.form is Form.CSV
    rows = bench.records.csv(wanted.table, search) if is_csv else bench.records.json(wanted.table, search)
    name = f'attachment; filename="romwright-{wanted.table}.{wanted.form}"'
    kind = "text/csv; charset=utf-8" if is_csv else "application/json"
    return StreamingResponse(_spooled(rows), media_type=kind, headers={"Content-Disposition": name})


@router.get("/backup", response_class=FileResponse, responses=_BACKUP_RESPONSES)
def download_backup(bench: BenchHere) -> FileResponse:
    """Make a backup: one moment of the database, the contents, and your own boards, parts and adapters.

    It has been read again and compared before it is given. `romwright restore` puts it back.
    """
    path = place_for_download(Path(bench.settings.state_dir))
    manifest = bench.records.back_up(path)
    summary = BackupSummary.of(manifest).model_dump_json()
    return FileResponse(
        path,
        media_type="application/zip",
        filename=f"romwright-{manifest.made_at[:10]}.zip",
        headers={"Backup": summary},
        background=BackgroundTask(path.unlink, missing_ok=True),
    )


def _spooled(rows: Iterator[bytes]) -> Iterator[bytes]:
    """Make the table now: what fails is a problem and no broken stream, and the database is free again.

    A client that stalls would else keep a connection to it, and a few of them all there are.
    """
    with ExitStack() as held:
        made = held.enter_context(tempfile.SpooledTemporaryFile(_IN_MEMORY_BYTES))
        for piece in rows:
            made.write(piece)
        made.seek(0)
        held.pop_all()

    def pieces() -> Iterator[bytes]:
        with made:
            while piece := made.read(_PIECE_BYTES):
                yield piece

    return pieces()
