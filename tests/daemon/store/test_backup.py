"""Backups: whole, checked, and put back into either database; a damaged one changes nothing."""

import contextlib
import hashlib
import json
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.clock import ManualClock
from daemon.errors import BenchError, Code
from daemon.records.archive import MANIFEST, Archive
from daemon.records.backup import LEFT_OUT, OwnFiles
from daemon.records.restore import restore
from daemon.records.room import RecordRoom
from daemon.settings import Settings
from daemon.state_dir import StateDirLock, prepare_private_dir
from daemon.store.blobs import Blobs
from daemon.store.model import NewJob
from daemon.store.schema import METADATA, REVISIONS
from daemon.store.store import Store
from tests.daemon.store.conftest import BENCH
from tests.support import postgres

BOARD = b'name = "Tern-9"\n'


def settings_at(folder: Path, database_url: str | None = None) -> Settings:
    given = {} if database_url is None else {"database_url": database_url}
    return Settings(
        state_dir=folder / "state",
        runtime_dir=folder / "run",
        parts_dir=folder / "parts",
        adapters_dir=folder / "adapters",
        **given,
    )


@pytest.fixture
def backed_up(store: Store, new_job: NewJob, clock: ManualClock, tmp_path: Path) -> Path:
    """A backup of a store with a job on an image, a lot, and a board of one's own."""
    folder = tmp_path / "old"
    (folder / "boards").mkdir(parents=True)
    (folder / "boards" / "tern-9.toml").write_bytes(BOARD)
    blobs = Blobs(folder / "images")
    blobs.open()
    digest = blobs.put(b"contents of a chip")
    store.images.add(digest, size_bytes=18, name="tern9.bin", image_format="raw", facts={"crc32": "x"})
    first = store.jobs.create(replace(new_job, image_sha256=digest))
    store.jobs.create(replace(new_job, continues_id=first.id, idempotency_key="k"))
    store.lots.add_lot("spares", "st-m27c512", 20)
    own = OwnFiles(folder / "boards", folder / "parts", folder / "adapters")
    path = tmp_path / "bench.zip"
    RecordRoom(store, blobs, own, clock).back_up(path)
    return path


def rows(url: str) -> dict[str, list[dict[str, Any]]]:
    """All rows as they are, read without our store."""
    engine = sa.create_engine(url)
    with engine.connect() as connection:
        found = {
            table.name: [
                dict(row._mapping)
                for row in connection.execute(sa.select(table).order_by(*table.primary_key.columns))
            ]
            for table in METADATA.sorted_tables
            if table.name not in LEFT_OUT
        }
    engine.dispose()
    return found


def put_back(found: dict[str, list[dict[str, Any]]]) -> dict[str, list[dict[str, Any]]]:
    """Take out of jobs in the queue, which are cancelled when they are put back, what that changes."""
    for job in found["jobs"]:
        if job["state"] in ("queued", "cancelled"):
            job |= {"state": "cancelled", "outcome": None, "ended_at": None}
    return found


def test_what_comes_back_is_what_was_there(backed_up: Path, url: str, store: Store, tmp_path: Path) -> None:
    settings = settings_at(tmp_path / "new")
    done = restore(backed_up, settings)
    assert put_back(rows(settings.database_url)) == put_back(rows(url))
    assert (done.moved_aside, done.kept_files, done.manifest.missing) == (None, (), ())
    assert (settings.state_dir / "bench-id").read_text(encoding="ascii").strip() == BENCH
    assert (settings.state_dir / "boards" / "tern-9.toml").read_bytes() == BOARD
    digest = rows(url)["images"][0]["sha256"]
    assert Blobs(settings.state_dir / "images").get(digest) == b"contents of a chip"
    with Store.open(settings.database_url, ManualClock(), BENCH) as again:
        assert [job.number for job in again.jobs.list()] == [2, 1]
        # Else the daemon would begin at once, on whatever chip is in the socket.
        assert {str(job.state) for job in again.jobs.list()} == {"cancelled"}
        assert again.jobs.queued() == ()


@pytest.mark.skipif(postgres.missing() is not None, reason=str(postgres.missing()))
def test_a_backup_goes_into_postgresql_and_numbers_go_on(
    backed_up: Path, url: str, new_job: NewJob, tmp_path: Path
) -> None:
    with postgres.own_schema() as other:
        restore(backed_up, settings_at(tmp_path / "new", other))
        assert put_back(rows(other)) == put_back(rows(url))
        with Store.open(other, ManualClock(), BENCH) as again:
            assert again.jobs.create(new_job).number == 3
        with pytest.raises(BenchError, match="already holds records") as refused:
            restore(backed_up, settings_at(tmp_path / "newer", other))
        assert refused.value.code is Code.STORE_IN_USE


def test_the_database_of_before_is_moved_aside_and_own_files_stay(
    backed_up: Path, new_job: NewJob, tmp_path: Path
) -> None:
    settings = settings_at(tmp_path / "new")
    prepare_private_dir(settings.state_dir)
    with Store.open(settings.database_url, ManualClock(), "b_before") as before:
        before.programmers.upsert("prog-1", serial="SN1", info={})
        before.jobs.create(new_job)
    (settings.state_dir / "boards").mkdir(mode=0o700)
    (settings.state_dir / "boards" / "tern-9.toml").write_bytes(b"name = 'mine'")
    (settings.state_dir / "bench-id").write_text("b_before\n")
    done = restore(backed_up, settings)
    assert done.moved_aside is not None
    assert len(rows(f"sqlite:///{done.moved_aside}")["jobs"]) == 1
    assert len(rows(settings.database_url)["jobs"]) == 2
    assert done.kept_files == (str(settings.state_dir / "boards" / "tern-9.toml"),)
    assert (settings.state_dir / "boards" / "tern-9.toml").read_bytes() == b"name = 'mine'"


def test_a_damaged_database_of_before_is_kept_as_it_is(backed_up: Path, tmp_path: Path) -> None:
    settings = settings_at(tmp_path / "new")
    prepare_private_dir(settings.state_dir)
    damaged = settings.state_dir / "bench.db"
    damaged.write_bytes(b"SQLite format 3\0" + bytes(5000))
    done = restore(backed_up, settings)
    assert done.moved_aside is not None
    assert done.moved_aside.read_bytes().endswith(bytes(5000))
    assert len(rows(settings.database_url)["jobs"]) == 2


def test_no_backup_is_put_under_a_running_daemon(backed_up: Path, tmp_path: Path) -> None:
    settings = settings_at(tmp_path / "new")
    with StateDirLock(prepare_private_dir(settings.state_dir)), pytest.raises(BenchError) as refused:
        restore(backed_up, settings)
    assert refused.value.code is Code.STATE_DIR_BUSY


def test_contents_that_are_gone_are_named(store: Store, clock: ManualClock, tmp_path: Path) -> None:
    store.images.add("ab" * 32, size_bytes=4, name="lost", image_format="raw", facts={})
    blobs = Blobs(tmp_path / "images")
    blobs.open()
    room = RecordRoom(store, blobs, OwnFiles(tmp_path, tmp_path, tmp_path), clock)
    assert room.back_up(tmp_path / "b.zip").missing == ("ab" * 32,)


def rewritten(path: Path, change: Callable[[str, bytes], bytes | None]) -> None:
    """Write the ZIP anew with some entries changed, as an editor of archives would."""
    with zipfile.ZipFile(path) as old:
        entries = {info.filename: old.read(info) for info in old.infolist()}
    with zipfile.ZipFile(path, "w") as new:
        for name, content in entries.items():
            changed = change(name, content)
            if changed is not None:
                new.writestr(name, changed)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda name, old: old + b" " if name.startswith("images/") else old, "is not what it was"),
        (lambda name, old: old if name != "tables/jobs.jsonl" else None, "not in both"),
        (lambda name, old: old if name != MANIFEST else None, "no backup of ours"),
        (lambda name, old: old if name != MANIFEST else b"{}", "no backup of ours"),
        (lambda name, old: old if name != MANIFEST else old.replace(b"tables/jobs", b"../jobs"), "no entry"),
        (
            lambda name, old: old if name != MANIFEST else old.replace(REVISIONS[-1].encode(), b"9999"),
            "newer version",
        ),
    ],
)
def test_a_changed_backup_is_refused_and_nothing_is_made(
    backed_up: Path, tmp_path: Path, change: Callable[[str, bytes], bytes | None], words: str
) -> None:
    rewritten(backed_up, change)
    settings = settings_at(tmp_path / "new")
    with pytest.raises(BenchError, match=words):
        restore(backed_up, settings)
    assert not (settings.state_dir / "bench.db").exists()


@given(st.data())
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
def test_a_damaged_file_is_never_believed(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    whole = _small_backup(tmp_path_factory)
    at = data.draw(st.integers(0, len(whole) - 1))
    cut = data.draw(st.booleans())
    broken = (
        whole[:at]
        if cut
        else whole[:at] + bytes((whole[at] ^ data.draw(st.integers(1, 255)),)) + whole[at + 1 :]
    )
    path = tmp_path_factory.mktemp("broken") / "b.zip"
    path.write_bytes(broken)
    try:
        with contextlib.closing(Archive(path)) as archive:
            archive.check()
            # Bytes that say nothing (times, flags of the ZIP): what is read is what was written.
            found = {name: archive.read(name) for name in archive.manifest.entries}
    except BenchError as error:
        assert error.code is Code.BACKUP_INVALID  # noqa: PT017 - it may be whole, or be refused so
    else:
        assert found == _entries(whole, tmp_path_factory)


@pytest.mark.parametrize("flag", [0x1, 0x20, 0x40])
def test_a_zip_of_a_kind_that_nobody_writes_here_is_refused(backed_up: Path, flag: int) -> None:
    """Encrypted, patched, strongly encrypted: bits of the general purpose flag (PKWARE APPNOTE 4.4.4)."""
    whole = bytearray(backed_up.read_bytes())
    at = whole.rindex(b"PK\x01\x02")  # the manifest's entry in the central directory is the last
    whole[at + 8] |= flag
    backed_up.write_bytes(bytes(whole))
    with pytest.raises(BenchError) as refused, contextlib.closing(Archive(backed_up)) as archive:
        archive.check()
    assert refused.value.code is Code.BACKUP_INVALID


_made: list[bytes] = []


def _small_backup(folders: pytest.TempPathFactory) -> bytes:
    if not _made:
        folder = folders.mktemp("small")
        blobs = Blobs(folder / "images")
        blobs.open()
        with Store.open(f"sqlite:///{(folder / 'b.db').as_posix()}", ManualClock(), BENCH) as store:
            room = RecordRoom(store, blobs, OwnFiles(folder, folder, folder), ManualClock())
            room.back_up(folder / "b.zip")
        _made.append((folder / "b.zip").read_bytes())
    return _made[0]


def _entries(whole: bytes, folders: pytest.TempPathFactory) -> dict[str, bytes]:
    path = folders.mktemp("whole") / "b.zip"
    path.write_bytes(whole)
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist() if name != MANIFEST}


def test_a_backup_of_an_older_schema_is_brought_to_todays(tmp_path: Path) -> None:
    # Rows as revision 0001 had them: no lots, lamps or batches, and jobs that know of no chip.
    then = "2026-01-01T00:00:00+00:00"
    bench = {"id": BENCH, "created_at": then, "opened_at": then, "pruned_through": 0}
    programmer = {"id": "prog-1", "serial": "SN1", "name": None, "last_seen_at": then, "info": {}}
    job = {"number": 7, "id": "j_old", "bench_id": BENCH, "programmer_id": "prog-1", "kind": "read",
           "state": "succeeded", "params": {}, "part_id": "intel-2716", "image_sha256": None, "steps": [],
           "estimate": None, "outcome": {"code": "ok"}, "created_at": then, "started_at": None,
           "ended_at": None, "idempotency_key": None, "continues_id": None}  # fmt: skip
    path = tmp_path / "old.zip"
    _write_backup(path, "0001", {"benches": [bench], "programmers": [programmer], "jobs": [job]})
    settings = settings_at(tmp_path / "new")
    restore(path, settings)
    with Store.open(settings.database_url, ManualClock(), BENCH) as store:
        assert store.jobs.get("j_old").number == 7
        assert store.lots.lots() == ()
    assert [file.name for file in settings.state_dir.glob("*restoring*")] == []


def _write_backup(path: Path, revision: str, tables: dict[str, list[dict[str, Any]]]) -> None:
    entries, contents = {}, {}
    for name, found in tables.items():
        content = b"".join(json.dumps(row).encode() + b"\n" for row in found)
        contents[f"tables/{name}.jsonl"] = content
        digest = hashlib.sha256(content).hexdigest()
        entries[f"tables/{name}.jsonl"] = {"bytes": len(content), "sha256": digest}
    manifest = {
        "format": "romwright backup", "version": 1, "schema": revision, "bench_id": BENCH,
        "made_at": "2026-01-01T00:00:00+00:00", "program": "romwright 0.0",
        "rows": {name: len(found) for name, found in tables.items()}, "missing": [], "entries": entries,
    }  # fmt: skip
    with zipfile.ZipFile(path, "w") as new:
        for name, content in contents.items():
            new.writestr(name, content)
        new.writestr(MANIFEST, json.dumps(manifest))


@pytest.mark.parametrize(
    ("table", "row"),
    [
        ("benches", {"id": BENCH, "created_at": "yesterday", "opened_at": "?", "pruned_through": 0}),
        ("benches", {"id": BENCH, "created_at": 7, "opened_at": 7, "pruned_through": 0}),
        ("benches", {"id": None, "created_at": None, "opened_at": None, "pruned_through": None}),
        ("benches", {"colour": "red"}),
        ("benches", 7),
        ("programmers", {"id": {}, "serial": [], "name": None, "last_seen_at": None, "info": 2**80}),
    ],
)
def test_rows_that_no_bench_wrote_are_refused(tmp_path: Path, table: str, row: Any) -> None:
    path = tmp_path / "strange.zip"
    _write_backup(path, REVISIONS[-1], {table: [row]})
    settings = settings_at(tmp_path / "new")
    with pytest.raises(BenchError, match=f"{table}.jsonl has a row") as refused:
        restore(path, settings)
    assert refused.value.code is Code.BACKUP_INVALID
    assert not (settings.state_dir / "bench.db").exists()


@pytest.mark.parametrize(
    "manifest",
    [
        b"[" * 100_000,
        b'{"format": "romwright backup", "version": 1, "entries": []}',
        b'{"format": "romwright backup", "version": 1, "entries": {}, "schema": "", "bench_id": "",'
        b' "made_at": "", "program": "", "rows": [], "missing": []}',
    ],
)
def test_a_strange_manifest_is_no_backup(tmp_path: Path, manifest: bytes) -> None:
    path = tmp_path / "strange.zip"
    with zipfile.ZipFile(path, "w") as new:
        new.writestr(MANIFEST, manifest)
    with pytest.raises(BenchError, match="no backup of ours"):
        Archive(path)


# Of a header in the central directory (APPNOTE.TXT 6.3.10, 4.3.12): version needed, flags, way of packing.
@pytest.mark.parametrize(("offset_bytes", "value"), [(6, 99), (8, 1), (10, 97)])
def test_a_zip_that_is_enciphered_or_packed_in_an_unknown_way_is_no_backup(
    backed_up: Path, offset_bytes: int, value: int
) -> None:
    content = bytearray(backed_up.read_bytes())
    content[content.rfind(b"PK\x01\x02") + offset_bytes] = value
    backed_up.write_bytes(content)
    with pytest.raises(BenchError, match="no backup of ours"):
        Archive(backed_up)


def test_own_files_go_along_whatever_they_are_called(
    store: Store, clock: ManualClock, tmp_path: Path
) -> None:
    names = ["Großer EPROM (neu).toml", "UPPER.TOML", "a" * 81 + ".toml"]
    own = OwnFiles(tmp_path / "none", tmp_path / "mine", tmp_path / "none")
    own.parts.mkdir()
    for name in names:
        (own.parts / name).write_bytes(name.encode())
    blobs = Blobs(tmp_path / "images")
    blobs.open()
    room = RecordRoom(store, blobs, own, clock)
    room.back_up(tmp_path / "b.zip")
    settings = settings_at(tmp_path / "new")
    restore(tmp_path / "b.zip", settings)
    assert sorted(path.name for path in settings.parts_dir.iterdir()) == sorted(names)
    (own.parts / ("a" * 82 + ".toml")).write_bytes(b"")
    with pytest.raises(BenchError, match="cannot stand in a backup") as refused:
        room.back_up(tmp_path / "b.zip")
    assert refused.value.code is Code.NAME_INVALID
    assert [file.name for file in tmp_path.glob(".b.zip*")] == []
