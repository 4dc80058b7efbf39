"""Events: numbered for good, given in order, pruned openly, and told after the commit."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from daemon.clock import ManualClock
from daemon.store.model import EventRecord, EventType, JobChange, JobState, NewEvent, NewJob
from daemon.store.store import Store


def progress(number: int, job_id: str | None = None) -> NewEvent:
    return NewEvent(EventType.JOB_PROGRESS, {"done_bytes": number}, job_id=job_id, programmer_id="prog-1")


def test_an_event_comes_back_as_it_went_in(store: Store, clock: ManualClock) -> None:
    clock.advance_s(1.25)
    (event,) = store.events.append(progress(7, "j_a"))
    assert store.events.after(event.id - 1) == (event,)
    assert event.at == clock.utc_now()
    assert (event.type, event.data, event.job_id) == ("job-progress", {"done_bytes": 7}, "j_a")
    assert event.bench_id == store.bench_id


def test_readers_go_on_where_they_stopped(store: Store) -> None:
    written = [store.events.append(progress(i))[0] for i in range(25)]
    seen: list[EventRecord] = []
    last = written[0].id - 1
    while page := store.events.after(last, 10):
        assert len(page) <= 10
        seen += page
        last = page[-1].id
    assert seen == written


def test_a_reader_can_follow_one_job(store: Store) -> None:
    for i in range(6):
        store.events.append(progress(i, f"j_{i % 2}"))
    assert [event.data["done_bytes"] for event in store.events.after(0, job_id="j_1")] == [1, 3, 5]


def test_several_events_are_one_transaction(store: Store) -> None:
    calls: list[int] = []
    store.on_event(calls.append)
    events = store.events.append(progress(1), progress(2), progress(3))
    assert [event.id for event in events] == sorted(event.id for event in events)
    assert calls == [events[-1].id]
    before = store.events.newest_id()
    with pytest.raises(Exception, match="JSON compliant"):
        store.events.append(progress(4), NewEvent("odd", {"x": float("inf")}))
    assert store.events.newest_id() == before
    assert calls == [before]


def test_ids_are_not_given_twice_even_when_all_events_are_gone(
    url: str, store: Store, clock: ManualClock
) -> None:
    last = store.events.append(progress(1), progress(2))[-1].id
    assert store.events.prune(0) == 2
    assert (store.events.oldest_id(), store.events.newest_id()) == (0, 0)
    store.close()
    with Store.open(url, clock, store.bench_id) as again:
        assert again.events.append(progress(3))[0].id > last


def test_pruning_keeps_the_newest_and_a_reader_learns_what_it_missed(store: Store) -> None:
    written = [store.events.append(progress(i))[0] for i in range(10)]
    assert store.events.prune(4) == 6
    assert store.events.prune(4) == 0
    assert store.events.oldest_id() == written[6].id
    assert store.events.page(written[5].id) == (tuple(written[6:]), False), "it had seen all that went"
    assert store.events.page(written[4].id) == (tuple(written[6:]), True), "it had not seen one of them"
    assert store.events.page(written[9].id) == ((), False)
    assert store.events.page(written[9].id + 1) == ((), True), "an id from a log that is longer than this"


def test_a_reader_of_an_empty_log_missed_nothing(store: Store) -> None:
    assert store.events.page(0) == ((), False)


def test_the_log_prunes_itself(url: str, clock: ManualClock) -> None:
    with Store.open(url, clock, "b_keep", event_keep=50) as store:
        for i in range(300):
            store.events.append(progress(i))
        kept = store.events.after(0, 1000)
        # It prunes in lumps of a tenth: never fewer than asked for, never more than a lump too many.
        assert 50 <= len(kept) <= 55
        assert [event.data["done_bytes"] for event in kept] == list(range(300 - len(kept), 300))


def test_a_smaller_limit_takes_effect_after_a_restart(url: str, clock: ManualClock) -> None:
    with Store.open(url, clock, "b_keep") as store:
        store.events.append(*(progress(i) for i in range(30)))
    with Store.open(url, clock, "b_keep", event_keep=10) as store:
        store.events.append(progress(30))
        assert len(store.events.after(0)) == 10


def test_benches_have_logs_of_their_own(url: str, store: Store, clock: ManualClock) -> None:
    with Store.open(url, clock, "b_two") as other:
        mine = store.events.append(progress(1))[0]
        theirs = other.events.append(progress(2))[0]
        mine_again = store.events.append(progress(3))[0]
        assert store.events.after(0) == (mine, mine_again)
        assert other.events.after(0) == (theirs,)
        assert other.events.prune(0) == 1
        assert store.events.page(0) == ((mine, mine_again), False), (
            "what another bench prunes is not missed here"
        )


def test_listeners_are_told_after_the_commit_and_until_they_stop(store: Store, new_job: NewJob) -> None:
    seen: list[tuple[int, bool]] = []

    def listener(newest_id: int) -> None:
        # Another connection sees it: the commit is done. And the store can be called from here.
        seen.append((newest_id, store.events.newest_id() >= newest_id))

    stop = store.on_event(listener)
    job = store.jobs.create(new_job)
    store.jobs.update(job.id, JobChange(state=JobState.RUNNING))
    store.jobs.get(job.id)
    store.programmers.upsert("prog-1", serial=None, info={})
    assert len(seen) == 2, "only commits that hold events"
    assert all(visible for _, visible in seen)
    stop()
    stop()
    store.jobs.update(job.id, JobChange(state=JobState.SUCCEEDED))
    assert len(seen) == 2


def test_a_listener_that_fails_harms_nobody(
    store: Store, new_job: NewJob, caplog: pytest.LogCaptureFixture
) -> None:
    calls: list[int] = []

    def broken(_newest_id: int) -> None:
        raise RuntimeError("deaf")

    store.on_event(broken)
    store.on_event(calls.append)
    job = store.jobs.create(new_job)
    assert store.jobs.get(job.id) == job
    assert len(calls) == 1
    assert "deaf" in caplog.text


def test_progress_is_cheap_and_state_is_durable(tmp_path: Path, clock: ManualClock) -> None:
    """SQLite's own answer inside each kind of transaction (1 NORMAL, 2 FULL: sqlite.org/pragma.html)."""
    with Store.open(f"sqlite:///{(tmp_path / 'x.db').as_posix()}", clock, "b_one") as store:
        found = []
        for durable in (False, True, False):
            with store.database.write(durable=durable) as writing:
                found.append(writing.connection.exec_driver_sql("PRAGMA synchronous").scalar())
        assert found == [1, 2, 1]
        with store.database.read() as connection:
            assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
            assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1


def test_each_call_is_as_durable_as_it_must_be(tmp_path: Path, clock: ManualClock, new_job: NewJob) -> None:
    with Store.open(f"sqlite:///{(tmp_path / 'x.db').as_posix()}", clock, "b_one") as store:
        said: list[str] = []

        def note(_connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
            if statement.startswith("PRAGMA synchronous"):
                said.append(statement.rpartition(" ")[2])

        sa.event.listen(store.database.engine, "before_cursor_execute", note)

        def durability(call: Callable[[], Any]) -> str:
            said.clear()
            call()
            (level,) = said
            return level

        digest = "0" * 64
        assert durability(lambda: store.programmers.upsert("prog-1", serial=None, info={})) == "NORMAL"
        job = store.jobs.create(new_job)
        assert durability(lambda: store.jobs.create(new_job)) == "FULL"
        assert durability(lambda: store.jobs.update(job.id, JobChange(state=JobState.RUNNING))) == "FULL"
        assert durability(lambda: store.jobs.update(job.id, JobChange(steps=job.steps))) == "NORMAL"
        assert durability(lambda: store.jobs.update(job.id, JobChange(outcome={"code": "x"}))) == "FULL"
        assert durability(lambda: store.events.append(progress(1))) == "NORMAL"
        assert durability(store.jobs.interrupt_running) == "FULL"
        assert (
            durability(lambda: store.images.add(digest, size_bytes=1, name="n", image_format="raw", facts={}))
            == "FULL"
        )
        assert durability(lambda: store.images.delete(digest)) == "FULL"
        assert durability(lambda: store.idempotency.begin("k", "POST /v1/jobs", "aa")) == "FULL"
        assert durability(lambda: store.idempotency.finish("k", 202, {})) == "FULL"
        assert durability(lambda: store.programmers.rename("prog-1", "left")) == "FULL"
