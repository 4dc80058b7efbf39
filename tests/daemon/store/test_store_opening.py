"""Opening a store of any age and in any condition."""

import re
import shutil
import sqlite3
import subprocess
import sys
import textwrap
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from daemon.clock import ManualClock
from daemon.errors import BenchError, Code
from daemon.store.model import EventType, JobChange, JobState, NewEvent, NewJob
from daemon.store.opening import OURS, Migrations, open_database, run_alembic
from daemon.store.schema import METADATA
from daemon.store.store import Store

AtRevision = Callable[[Path, str], None]


def url_of(path: Path) -> str:
    return f"sqlite:///{path.as_posix()}"


def schema_of(path: Path) -> list[tuple[str, list[str]]]:
    """Every table and index as its sorted clauses: the order of constraints is left to chance."""
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY type, name")
        texts = [re.sub(r"\s+", " ", row[0]) for row in rows]
    heads_and_bodies = [text.partition("(")[::2] for text in texts]
    outside_brackets = re.compile(r", (?![^()]*\))")
    return [(head, sorted(outside_brackets.split(body.strip(" )")))) for head, body in heads_and_bodies]


def filled(path: Path, new_job: NewJob) -> str:
    """Make a store with a running job; return the job's id."""
    with Store.open(url_of(path), ManualClock(), "b_one") as store:
        store.programmers.upsert("prog-1", serial="SN1", info={})
        job = store.jobs.create(new_job)
        store.jobs.update(job.id, JobChange(state=JobState.RUNNING))
    return job.id


def test_a_new_store_is_made_and_found_again(tmp_path: Path, new_job: NewJob) -> None:
    path = tmp_path / "b.db"
    job_id = filled(path, new_job)
    with Store.open(url_of(path), ManualClock(), "b_one") as store:
        assert store.jobs.get(job_id).state is JobState.RUNNING
    if sys.platform != "win32":
        assert path.stat().st_mode & 0o077 == 0


def test_opening_imports_no_alembic(tmp_path: Path) -> None:
    script = textwrap.dedent(
        f"""
        import sys
        from daemon.clock import ManualClock
        from daemon.store.store import Store
        for _ in range(2):
            Store.open({url_of(tmp_path / "b.db")!r}, ManualClock(), "b_one").close()
        print([name for name in sys.modules if name.startswith("alembic")])
        """
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_list_of_revisions_is_that_of_the_scripts() -> None:
    config = Config()
    config.set_main_option("script_location", str(OURS.folder))
    scripts = ScriptDirectory.from_config(config)
    newest_first = [script.revision for script in scripts.walk_revisions()]
    assert tuple(reversed(newest_first)) == OURS.revisions


def test_both_ways_to_the_newest_schema_agree(tmp_path: Path, at_revision: AtRevision) -> None:
    open_database(url_of(tmp_path / "new.db")).close()
    at_revision(tmp_path / "migrated.db", OURS.newest)
    assert schema_of(tmp_path / "migrated.db") == schema_of(tmp_path / "new.db")


def test_migrations_end_at_the_tables_the_program_uses(url: str) -> None:
    engine = sa.create_engine(url)
    with engine.begin() as connection:
        run_alembic(connection, OURS)
        assert compare_metadata(MigrationContext.configure(connection), METADATA) == []
    engine.dispose()
    Store.open(url, ManualClock(), "b_one").close()


@pytest.mark.parametrize("revision", OURS.revisions)
def test_a_store_of_every_released_schema_opens(
    tmp_path: Path, at_revision: AtRevision, revision: str
) -> None:
    path = tmp_path / "old.db"
    at_revision(path, revision)
    Store.open(url_of(path), ManualClock(), "b_one").close()
    assert schema_of(path)
    assert path.with_name(f"old.db.before-{OURS.newest}").exists() == (revision != OURS.newest)


NEXT_SCRIPT = '''
"""A revision that only this test has."""
import sqlalchemy as sa
from alembic import op

revision = "0099"
down_revision = "{newest}"


def upgrade():
    with op.batch_alter_table("jobs") as batch:
        batch.add_column(sa.Column("operator", sa.Text))
    with op.batch_alter_table("programmers", recreate="always") as batch:
        batch.alter_column("serial", new_column_name="serial_number")
    {extra}
'''


@pytest.fixture
def future(tmp_path: Path) -> Callable[[str], Migrations]:
    """Build the migrations of a version to come: ours and one more."""

    def build(extra: str = "") -> Migrations:
        folder = tmp_path / "migrations"
        shutil.copytree(OURS.folder, folder, ignore=shutil.ignore_patterns("__pycache__"))
        script = NEXT_SCRIPT.format(newest=OURS.newest, extra=extra)
        (folder / "versions" / "r0099_next.py").write_text(script)
        return Migrations(folder, (*OURS.revisions, "0099"))

    return build


def test_an_older_store_is_migrated_and_a_copy_is_kept(
    tmp_path: Path, new_job: NewJob, future: Callable[[str], Migrations]
) -> None:
    path = tmp_path / "b.db"
    job_id = filled(path, new_job)

    open_database(url_of(path), future("")).close()

    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT version_num FROM alembic_version").fetchall() == [("0099",)]
        assert connection.execute("SELECT id, operator FROM jobs").fetchall() == [(job_id, None)]
        assert connection.execute("SELECT serial_number FROM programmers").fetchall() == [("SN1",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        assert connection.execute("SELECT seq FROM sqlite_sequence WHERE name = 'events'").fetchone()[0] >= 2
    copy = tmp_path / "b.db.before-0099"
    with Store.open(url_of(copy), ManualClock(), "b_one") as store:
        assert store.jobs.get(job_id).state is JobState.RUNNING
    assert not list(tmp_path.glob("*.part"))


def test_a_second_copy_does_not_replace_the_first(
    tmp_path: Path, new_job: NewJob, future: Callable[[str], Migrations]
) -> None:
    path = tmp_path / "b.db"
    filled(path, new_job)
    (tmp_path / "b.db.before-0099").write_text("an earlier copy")
    open_database(url_of(path), future("")).close()
    assert (tmp_path / "b.db.before-0099").read_text() == "an earlier copy"
    assert (tmp_path / "b.db.before-0099-2").exists()


@pytest.mark.parametrize("extra", ['raise ValueError("no")', 'op.execute("DELETE FROM programmers")'])
def test_a_migration_that_fails_leaves_the_store_as_it_was(
    tmp_path: Path, new_job: NewJob, future: Callable[[str], Migrations], extra: str
) -> None:
    path = tmp_path / "b.db"
    job_id = filled(path, new_job)
    before = schema_of(path)
    with pytest.raises(BenchError) as failure:
        open_database(url_of(path), future(extra))
    assert failure.value.code is Code.STORE_MIGRATION
    assert "before-0099" in failure.value.message
    assert schema_of(path) == before
    with Store.open(url_of(path), ManualClock(), "b_one") as store:
        assert store.jobs.get(job_id).programmer_id == "prog-1"


def test_a_store_of_a_newer_version_is_not_touched(
    tmp_path: Path, new_job: NewJob, future: Callable[[str], Migrations]
) -> None:
    path = tmp_path / "b.db"
    filled(path, new_job)
    open_database(url_of(path), future("")).close()
    before = path.read_bytes()
    with pytest.raises(BenchError) as failure:
        Store.open(url_of(path), ManualClock(), "b_one")
    assert failure.value.code is Code.STORE_NEWER
    assert failure.value.details == {"found": "0099", "newest_known": OURS.newest}
    assert path.read_bytes() == before


def test_another_programs_database_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE songs (title TEXT)")
        connection.commit()
    before = path.read_bytes()
    with pytest.raises(BenchError) as failure:
        Store.open(url_of(path), ManualClock(), "b_one")
    assert failure.value.code is Code.STORE_FOREIGN
    assert path.read_bytes() == before


def test_a_file_that_is_no_database_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "notes.db"
    path.write_bytes(b"Eprom labels, shelf 3\n" * 400)
    before = path.read_bytes()
    with pytest.raises(BenchError) as failure:
        Store.open(url_of(path), ManualClock(), "b_one")
    assert failure.value.code is Code.STORE_DAMAGED
    assert str(path) in failure.value.message
    assert path.read_bytes() == before


def test_a_page_spoiled_in_a_crash_is_found_at_the_start(tmp_path: Path, new_job: NewJob) -> None:
    path, crashed = tmp_path / "b.db", tmp_path / "crashed" / "b.db"
    filled(path, new_job)
    crashed.parent.mkdir()
    with Store.open(url_of(path), ManualClock(), "b_one") as store:
        store.events.append(*(NewEvent("noise", {"text": "x" * 200}) for _ in range(200)))
        store.close()
        store.events.append(NewEvent("last", {}))
        for name in ("b.db", "b.db-wal"):  # what a crash leaves: the log was not folded in
            shutil.copy(tmp_path / name, crashed.parent / name)
    content = bytearray(crashed.read_bytes())
    middle = len(content) // 4096 * 2 // 3 * 4096  # a page of events that the log does not hold anew
    content[middle : middle + 4096] = b"\xa5" * 4096
    crashed.write_bytes(content)
    before = crashed.read_bytes()
    with pytest.raises(BenchError) as failure:
        Store.open(url_of(crashed), ManualClock(), "b_one")
    assert failure.value.code is Code.STORE_DAMAGED
    assert crashed.read_bytes() == before


def test_damage_met_while_reading_is_explained(tmp_path: Path, new_job: NewJob) -> None:
    path = tmp_path / "b.db"
    filled(path, new_job)
    with Store.open(url_of(path), ManualClock(), "b_one") as store:
        store.events.append(*(NewEvent("noise", {"text": "x" * 200}) for _ in range(800)))
    content = bytearray(path.read_bytes())
    pages = len(content) // 4096
    for page in range(pages * 2 // 3, pages):  # where the events are
        content[page * 4096 : (page + 1) * 4096] = b"\xa5" * 4096
    path.write_bytes(content)
    with Store.open(url_of(path), ManualClock(), "b_one") as store:
        with pytest.raises(BenchError) as failure:
            store.events.after(0, 1000)
        assert failure.value.code is Code.STORE_DAMAGED


def test_what_was_written_before_a_crash_is_there_after_it(tmp_path: Path, new_job: NewJob) -> None:
    """The files as they lie at some moment of work, as a killed process leaves them."""
    path, crashed = tmp_path / "b.db", tmp_path / "crashed" / "b.db"
    crashed.parent.mkdir()
    with Store.open(url_of(path), ManualClock(), "b_one") as store:
        store.programmers.upsert("prog-1", serial=None, info={})
        job = store.jobs.create(new_job)
        store.jobs.update(job.id, JobChange(state=JobState.RUNNING))
        steps = (replace(job.steps[0], done_bytes=4096), job.steps[1])
        job = store.jobs.update(job.id, JobChange(steps=steps), NewEvent(EventType.JOB_PROGRESS))
        events = store.events.after(0)
        for name in ("b.db", "b.db-wal"):
            shutil.copy(tmp_path / name, crashed.parent / name)
    with Store.open(url_of(crashed), ManualClock(), "b_one") as store:
        assert store.jobs.get(job.id) == job
        assert store.events.after(0) == events
        assert [ended.id for ended in store.jobs.interrupt_running()] == [job.id]


KILLED = """
import sys
from dataclasses import replace
from daemon.clock import SystemClock
from daemon.store.model import *
from daemon.store.store import Store

store = Store.open(sys.argv[1], SystemClock(), "b_one")
store.programmers.upsert("prog-1", serial=None, info={})
queued = store.jobs.create(NewJob(JobKind.READ, "prog-1"))
job = store.jobs.create(NewJob(JobKind.PROGRAM, "prog-1", steps=(Step("program", "Program"),)))
store.jobs.update(job.id, JobChange(state=JobState.RUNNING))
done = 0
while True:
    done += 1
    step = replace(job.steps[0], done_bytes=done)
    told = NewEvent("job-progress", {"done": done}, job_id=job.id)
    store.jobs.update(job.id, JobChange(steps=(step,)), told)
    print(done, flush=True)
"""


def test_a_killed_daemon_loses_nothing_it_had_reported(tmp_path: Path) -> None:
    url = url_of(tmp_path / "b.db")
    with subprocess.Popen([sys.executable, "-c", KILLED, url], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        for line in process.stdout:
            if int(line) >= 40:
                break
        process.kill()
        reported = max([40, *(int(rest) for rest in process.stdout if rest.endswith("\n"))])
    with Store.open(url, ManualClock(), "b_one") as store:
        (interrupted,) = store.jobs.interrupt_running()
        done = interrupted.steps[0].done_bytes
        assert done >= reported
        told = [event.data["done"] for event in store.events.after(0, 100_000) if "done" in event.data]
        assert told == list(range(1, done + 1)), "an event for each change, and none without"
        assert [job.state for job in store.jobs.list()] == [JobState.INTERRUPTED, JobState.QUEUED]


def test_another_program_that_holds_the_file_is_named_as_the_cause(
    tmp_path: Path, new_job: NewJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "b.db"
    job_id = filled(path, new_job)
    monkeypatch.setattr("daemon.store.dialects.BUSY_TIMEOUT_S", 0.0)
    with (
        Store.open(url_of(path), ManualClock(), "b_one") as store,
        closing(sqlite3.connect(path, isolation_level=None)) as shell,
    ):
        shell.execute("BEGIN IMMEDIATE")
        with pytest.raises(BenchError) as failure:
            store.jobs.update(job_id, JobChange(state=JobState.SUCCEEDED))
        assert failure.value.code is Code.STORE_BUSY
        assert store.jobs.get(job_id).state is JobState.RUNNING
        shell.execute("ROLLBACK")
        store.jobs.update(job_id, JobChange(state=JobState.SUCCEEDED))


def test_a_full_disk_is_said_to_be_full(tmp_path: Path, new_job: NewJob) -> None:
    path = tmp_path / "b.db"
    job_id = filled(path, new_job)
    database = open_database(url_of(path))
    with database.read() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
    with Store(database, ManualClock(), "b_one") as store:
        # SQLite answers SQLITE_FULL when a file may not grow (its documentation of max_page_count).
        store.close()
        sa.event.listen(
            database.engine,
            "connect",
            lambda connection, _record: connection.execute(f"PRAGMA max_page_count = {pages}").close(),
        )
        with pytest.raises(BenchError) as failure:
            store.events.append(*(NewEvent("noise", {"text": "x" * 4000}) for _ in range(50)))
        assert failure.value.code is Code.DISK_FULL
        assert store.jobs.get(job_id).state is JobState.RUNNING


@pytest.mark.parametrize(
    "bad_url",
    [
        "",
        "not a url",
        "sqlite://",
        "sqlite:///:memory:",
        "mysql://u:secret@h/x",
        "postgresql+nodriver://u:secret@h/x",
    ],
)
def test_a_url_that_is_no_store_is_refused(bad_url: str) -> None:
    with pytest.raises(BenchError) as failure:
        Store.open(bad_url, ManualClock(), "b_one")
    assert failure.value.code is Code.STORE_UNREACHABLE
    assert "secret" not in failure.value.message


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(BenchError) as failure:
        Store.open(url_of(tmp_path / "nowhere" / "b.db"), ManualClock(), "b_one")
    assert failure.value.code is Code.STORE_UNREACHABLE
    assert "nowhere" in failure.value.message


def test_odd_characters_in_a_path_are_no_harm(tmp_path: Path, new_job: NewJob) -> None:
    folder = tmp_path / "Werkbank #1 50% ä?" if sys.platform != "win32" else tmp_path / "Werkbank #1 50% ä"
    folder.mkdir()
    url = sa.URL.create("sqlite", database=str(folder / "b.db")).render_as_string()
    for _ in range(2):
        Store.open(url, ManualClock(), "b_one").close()
    assert {entry.name for entry in folder.iterdir()} == {"b.db"}
