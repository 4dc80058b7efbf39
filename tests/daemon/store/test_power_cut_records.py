"""The power goes at any moment of the records' file: it is whole, and nothing promised is missing."""

import contextlib
import json
import random
import shutil
import sqlite3

import pytest

from daemon.clock import ManualClock
from daemon.store.model import EventType, JobChange, JobKind, JobState, NewEvent, NewJob, Step
from daemon.store.store import Store
from tests.support.faults.sqlite_disk import replayed, taken_down

JOBS = 3
MIXTURES = 2


def a_busy_hour(store, script):
    """Jobs are made, run, tell of their progress and end; `script` notes what was promised meanwhile."""

    def promise():
        script.append(("promised", store.events.newest_id()))

    for number in range(JOBS):
        new = NewJob(JobKind.PROGRAM, "prog-1", steps=(Step("program", "Program"),), params={"n": number})
        job = store.jobs.create(new)
        promise()
        store.jobs.update(job.id, JobChange(state=JobState.RUNNING))
        promise()
        for done in range(2):
            steps = (Step("program", "Program", done_bytes=done, total_bytes=2),)
            told = NewEvent(EventType.JOB_PROGRESS, {"done": done, "padding": "x" * 700}, job_id=job.id)
            store.jobs.update(job.id, JobChange(steps=steps), told)
        store.jobs.update(job.id, JobChange(state=JobState.SUCCEEDED, outcome={"code": "ok"}))
        promise()


@pytest.fixture
def script(tmp_path):
    """The statements of a busy hour, and the file that they began with."""
    folder = tmp_path / "real"
    folder.mkdir()
    with Store.open(f"sqlite:///{folder / 'bench.db'}", ManualClock(), "b_one") as store:
        store.programmers.upsert("prog-1", serial=None, info={})
    before = tmp_path / "before.db"
    shutil.copy(folder / "bench.db", before)
    url = f"sqlite:///{folder / 'bench.db'}"
    with Store.open(url, ManualClock(), "b_one") as store, taken_down(store) as taken:
        a_busy_hour(store, taken)
    return taken, before


def wrong_in(folder, promised):
    """What is wrong with the records that lie there; `promised`: the newest event that was."""
    with contextlib.closing(sqlite3.connect(folder / "bench.db")) as connection:
        wrong = [found for (found,) in connection.execute("PRAGMA integrity_check") if found != "ok"]
        events = connection.execute("SELECT id, type, job_id, data FROM events ORDER BY id").fetchall()
        jobs = dict(connection.execute("SELECT id, state FROM jobs").fetchall())
    ids = [row[0] for row in events]
    if ids != list(range(1, len(ids) + 1)) or len(ids) < promised:
        wrong.append(f"{promised} events were promised, and there are {ids}")
    told = {job: json.loads(data)["state"] for _, type_, job, data in events if type_ in _TOLD}
    if told != jobs:
        wrong.append(f"the jobs are {jobs}, and their events say {told}")
    return wrong


_TOLD = {str(EventType.JOB_CREATED), str(EventType.JOB_STATE)}


def cuts(script, tmp_path, *, mixtures=MIXTURES, deaf=False, every=1):
    statements, before = script
    folder = tmp_path / "watched"
    folder.mkdir()
    shutil.copy(before, folder / "bench.db")
    made = replayed(statements, folder / "bench.db", deaf=deaf)
    assert made.promised
    # Before the first four the file itself is not there: see `replayed`.
    for moment in range(4, len(made.operations) + 1, every):
        for mixture in range(mixtures):
            rng = random.Random(f"{moment} {mixture}") if mixture else None
            there = tmp_path / f"{moment}-{mixture}"
            there.mkdir()
            made.after_cut(moment, rng, there)
            yield from wrong_in(there, max(made.promised_by(moment), default=0))
            shutil.rmtree(there)


def test_no_record_that_was_promised_is_lost_wherever_the_power_goes(script, tmp_path):
    statements, _ = script
    assert "PRAGMA journal_mode = WAL" in statements
    assert {"PRAGMA synchronous = FULL", "PRAGMA synchronous = NORMAL"} <= set(map(str, statements))
    assert list(cuts(script, tmp_path)) == []


def test_the_model_finds_what_missing_syncs_cost(script, tmp_path):
    assert any("promised" in wrong for wrong in cuts(script, tmp_path, deaf=True, every=5))


def test_the_model_finds_what_a_commit_without_sync_costs(script, tmp_path):
    statements, before = script
    lazy = [text.replace("FULL", "NORMAL") if isinstance(text, str) else text for text in statements]
    assert any("promised" in wrong for wrong in cuts((lazy, before), tmp_path, every=2))
