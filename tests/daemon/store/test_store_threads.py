"""Worker threads and API threads use one store at once."""

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import TypeVar

import pytest

from daemon.clock import ManualClock
from daemon.errors import BenchError, Code
from daemon.store.model import EventType, JobChange, JobState, NewEvent, NewJob
from daemon.store.store import Store

T = TypeVar("T")


def in_threads(count: int, work: Callable[[int], T]) -> list[T]:
    """Run `work(0)` ... `work(count - 1)` at once; an exception in any of them fails the test."""
    start = threading.Barrier(count)

    def run(number: int) -> T:
        start.wait()
        return work(number)

    with ThreadPoolExecutor(count) as pool:
        return list(pool.map(run, range(count)))


def test_jobs_side_by_side_lose_nothing(store: Store, new_job: NewJob) -> None:
    jobs = [store.jobs.create(new_job) for _ in range(6)]

    def work(number: int) -> None:
        job = store.jobs.update(jobs[number].id, JobChange(state=JobState.RUNNING))
        for done in range(20):
            steps = (replace(job.steps[0], done_bytes=done), job.steps[1])
            told = NewEvent(EventType.JOB_PROGRESS, {"done": done}, job_id=job.id)
            store.jobs.update(job.id, JobChange(steps=steps), told)
            assert store.jobs.get(job.id).steps[0].done_bytes == done
        store.jobs.update(job.id, JobChange(state=JobState.SUCCEEDED))

    in_threads(len(jobs), work)

    for job in jobs:
        events = store.events.after(0, job_id=job.id)
        assert [event.data["done"] for event in events if event.type == "job-progress"] == list(range(20))
        assert store.jobs.get(job.id).state is JobState.SUCCEEDED


def test_a_reader_sees_every_event_once_while_others_write(store: Store) -> None:
    """An id must never become visible after a higher one: a reader would skip it for good."""
    writers, each = 5, 30
    finished = threading.Event()
    woken = threading.Event()
    store.on_event(lambda _newest_id: woken.set())

    def work(number: int) -> list[int]:
        if number == 0:
            seen: list[int] = []
            while True:
                last_look = finished.is_set()
                woken.clear()
                while page := store.events.after(seen[-1] if seen else 0, 7):
                    seen += [event.id for event in page]
                if last_look:
                    return seen
                woken.wait(5)
        written = [store.events.append(NewEvent("tick", {"writer": number}))[0].id for _ in range(each)]
        arrived.wait()
        finished.set()
        woken.set()
        return written

    arrived = threading.Barrier(writers)
    seen, *written = in_threads(writers + 1, work)
    assert seen == sorted(event_id for ids in written for event_id in ids)
    assert len(seen) == writers * each


def test_of_many_equal_requests_one_makes_the_job(store: Store, new_job: NewJob) -> None:
    def work(_number: int) -> str:
        try:
            if store.idempotency.begin("k", "POST /v1/jobs", "aa") is not None:
                return "replayed"
            return store.jobs.create(replace(new_job, idempotency_key="k")).id
        except BenchError as error:
            return error.code

    results = in_threads(8, work)
    (job,) = store.jobs.list()
    assert sorted(set(results)) == sorted({job.id, Code.IDEMPOTENCY_IN_FLIGHT})
    assert results.count(job.id) == 1


def test_of_two_moves_at_once_one_wins(store: Store, new_job: NewJob) -> None:
    """A cancel and a success meet: whichever comes second is refused."""
    for _ in range(10):
        job = store.jobs.create(new_job)
        store.jobs.update(job.id, JobChange(state=JobState.RUNNING))
        ends = [JobState.CANCELLED, JobState.SUCCEEDED]

        def work(number: int, job_id: str = job.id, ends: list[JobState] = ends) -> str:
            try:
                store.jobs.update(job_id, JobChange(state=ends[number]))
            except BenchError as error:
                return error.code
            return "won"

        results = in_threads(2, work)
        assert sorted(results) == [Code.JOB_STATE, "won"]
        assert store.jobs.get(job.id).state is ends[results.index("won")]


def test_benches_that_start_at_once_make_one_schema(url: str, clock: ManualClock) -> None:
    def work(number: int) -> str:
        with Store.open(url, clock, f"b_{number}") as own:
            own.events.append(NewEvent("hello"))
            return own.events.after(0)[0].bench_id

    assert in_threads(4, work) == ["b_0", "b_1", "b_2", "b_3"]


@pytest.mark.parametrize("benches", [3])
def test_benches_on_one_database_do_not_disturb_each_other(
    url: str, store: Store, new_job: NewJob, clock: ManualClock, benches: int
) -> None:
    def work(number: int) -> None:
        with Store.open(url, clock, f"b_{number}") as own:
            for _ in range(15):
                job = own.jobs.create(new_job)
                own.jobs.update(job.id, JobChange(state=JobState.RUNNING))
            assert len(own.events.after(0)) == 30
            assert len(own.jobs.interrupt_running()) == 15

    in_threads(benches, work)
    assert len(store.jobs.list(all_benches=True)) == benches * 15
