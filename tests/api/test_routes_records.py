"""Records over HTTP, on a bench that has done something."""

import asyncio
import csv
import io
import json
import zipfile
from typing import Any

import pytest
from fastapi.responses import StreamingResponse
from sqlalchemy.pool import QueuePool

from api.routes.records import Form, WantedTable, export_table
from daemon.bench import Bench
from daemon.jobs.request import JobRequest
from daemon.store.model import JobKind
from tests.api.conftest import MemoryClient
from tests.api.simulated import PART, ended


@pytest.fixture
def done(http: Any, sim: Bench) -> dict[str, Any]:
    """A job that programmed a chip."""
    digest = sim.add_image(b"Tern" + b"\xff" * 8188, name="tern8.bin").sha256
    job = sim.submit(JobRequest(kind=JobKind.PROGRAM, part=PART, image=digest))
    record = ended(sim, job.id)
    assert record.outcome is not None
    return {"id": job.id, "crc32": record.outcome["numbers"]["crc32"], "digest": digest}


def test_records_are_found_and_tell_the_firmware(http: Any, done: dict[str, Any]) -> None:
    for query in ({}, {"checksum": done["crc32"]}, {"digest": done["digest"][:8]}, {"text": "tern8"}):
        (found,) = http.get("/v1/records", params=query).json()["records"]
        assert (found["job_id"], found["image_name"]) == (done["id"], "tern8.bin")
        assert "romwright simulator" in found["firmware"]
        assert "verify at" in found["checked"]
    assert http.get("/v1/records", params={"lot": "none"}).json() == {"records": [], "next_before": None}
    for wrong in ({"digest": "xyz"}, {"since": "yesterday"}, {"colour": "red"}, {"limit": 501}):
        assert http.get("/v1/records", params=wrong).status_code == 422


def test_tables_and_a_backup_can_be_taken_away(http: Any, done: dict[str, Any]) -> None:
    table = http.get("/v1/records/table")
    assert table.headers["Content-Type"].startswith("text/csv")
    (row,) = csv.DictReader(io.StringIO(table.text, newline=""))
    assert row["crc32"] == done["crc32"]
    lots = http.get("/v1/records/table", params={"table": "lots", "form": "json"})
    assert lots.json() == []
    backup = http.get("/v1/backup")
    assert json.loads(backup.headers["Backup"])["rows"]["jobs"] == 1
    with zipfile.ZipFile(io.BytesIO(backup.content)) as whole:
        assert f"images/{done['digest']}" in whole.namelist()


def test_a_backup_leaves_nothing_behind(client: MemoryClient, bench: Bench) -> None:
    assert client.get("/v1/backup").status_code == 200
    assert list(bench.settings.state_dir.glob(".backup*")) == []


def test_what_a_killed_daemon_left_of_a_download_is_removed(client: MemoryClient, bench: Bench) -> None:
    folder = bench.settings.state_dir
    left = [folder / ".backup-0011.part", folder / "..backup-0011.part.2233.part"]
    for path in left:
        path.write_bytes(b"half a backup")
    assert client.get("/v1/backup").status_code == 200
    assert [path for path in left if path.exists()] == []


def test_a_header_stays_short_however_much_was_lost(client: MemoryClient, bench: Bench) -> None:
    digests = [f"{number:064x}" for number in range(60)]
    for digest in digests:
        bench.store.images.add(digest, size_bytes=4, name="lost", image_format="raw", facts={})
    told = json.loads(client.get("/v1/backup").headers["Backup"])
    assert (told["missing"], told["missing_count"]) == (digests[:50], 60)


@pytest.mark.parametrize("form", Form)
def test_a_stalled_download_of_a_table_holds_no_connection(http: Any, sim: Bench, form: Form) -> None:
    pool = sim.store.database.engine.pool
    assert isinstance(pool, QueuePool)
    answers = [export_table(sim, WantedTable(form=form)) for _ in range(8)]
    # Nobody has taken a byte yet; the bench itself may be using one or two.
    held = pool.checkedout()
    (found,) = {asyncio.run(_all(answer)) for answer in answers}
    assert found == http.get("/v1/records/table", params={"form": form}).content
    assert held < len(answers)


async def _all(answer: StreamingResponse) -> bytes:
    return b"".join([bytes(piece) async for piece in answer.body_iterator])  # type: ignore[arg-type]
