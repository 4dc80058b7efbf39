"""Jobs: what is kept, which moves are allowed, and that a change and its event are one."""

import re
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from daemon.clock import ManualClock
from daemon.errors import BenchError, Code
from daemon.store.model import (
    EventType,
    JobChange,
    JobKind,
    JobState,
    NewEvent,
    NewJob,
    StepState,
    may_move,
)
from daemon.store.store import Store

S = JobState
# Written out by hand from the architecture's words on jobs, not taken from the table under test.
ALLOWED = {
    (S.QUEUED, S.RUNNING),
    (S.QUEUED, S.CANCELLED),
    (S.QUEUED, S.FAILED),
    (S.RUNNING, S.WAITING),
    (S.RUNNING, S.SUCCEEDED),
    (S.RUNNING, S.FAILED),
    (S.RUNNING, S.CANCELLED),
    (S.RUNNING, S.INTERRUPTED),
    (S.WAITING, S.RUNNING),
    (S.WAITING, S.FAILED),
    (S.WAITING, S.CANCELLED),
    (S.WAITING, S.INTERRUPTED),
}
ROAD_TO = {
    S.QUEUED: (),
    S.RUNNING: (S.RUNNING,),
    S.WAITING: (S.RUNNING, S.WAITING),
    S.SUCCEEDED: (S.RUNNING, S.SUCCEEDED),
    S.FAILED: (S.RUNNING, S.FAILED),
    S.CANCELLED: (S.CANCELLED,),
    S.INTERRUPTED: (S.RUNNING, S.INTERRUPTED),
}


def code_of(failure: pytest.ExceptionInfo[BenchError]) -> Code:
    return failure.value.code


def test_a_new_job_is_queued_and_comes_back_as_it_went_in(
    store: Store, new_job: NewJob, clock: ManualClock
) -> None:
    job = store.jobs.create(new_job)

    assert re.fullmatch(r"j_[a-z2-7]{16}", job.id)
    assert job.state is JobState.QUEUED
    assert job.created_at == clock.utc_now()
    assert (job.started_at, job.ended_at, job.outcome) == (None, None, None)
    for name in NewJob.__slots__:
        assert getattr(job, name) == getattr(new_job, name)
    assert store.jobs.get(job.id) == job


def test_steps_keep_times_results_and_enums(store: Store, new_job: NewJob, clock: ManualClock) -> None:
    job = store.jobs.create(new_job)
    done = replace(
        job.steps[0],
        state=StepState.DONE,
        done_bytes=65536,
        started_at=clock.utc_now(),
        ended_at=clock.utc_now() + timedelta(milliseconds=1500),
        result={"bits_not_blank": 0, "first_address": None},
    )
    store.jobs.update(job.id, JobChange(steps=(done, job.steps[1])))

    assert store.jobs.get(job.id).steps == (done, job.steps[1])


@pytest.mark.parametrize("old", list(JobState))
@pytest.mark.parametrize("new", list(JobState))
def test_only_listed_moves_are_made(store: Store, new_job: NewJob, old: JobState, new: JobState) -> None:
    job = store.jobs.create(new_job)
    for state in ROAD_TO[old]:
        job = store.jobs.update(job.id, JobChange(state=state))
    before = store.events.newest_id()

    assert may_move(old, new) == ((old, new) in ALLOWED)
    if (old, new) in ALLOWED:
        assert store.jobs.update(job.id, JobChange(state=new)).state is new
        assert store.events.newest_id() == before + 1
    else:
        with pytest.raises(BenchError) as failure:
            store.jobs.update(job.id, JobChange(state=new))
        assert code_of(failure) is Code.JOB_STATE
        assert old in failure.value.message
        assert store.jobs.get(job.id) == job
        assert store.events.newest_id() == before


def test_times_are_set_by_the_moves(store: Store, new_job: NewJob, clock: ManualClock) -> None:
    job = store.jobs.create(new_job)
    clock.advance_s(5)
    started = clock.utc_now()
    store.jobs.update(job.id, JobChange(state=JobState.RUNNING))
    clock.advance_s(7)
    store.jobs.update(job.id, JobChange(state=JobState.WAITING))
    store.jobs.update(job.id, JobChange(state=JobState.RUNNING))
    clock.advance_s(2)
    ended = store.jobs.update(job.id, JobChange(state=JobState.SUCCEEDED, outcome={"code": "done"}))

    assert ended.started_at == started, "waiting for a person does not start a job anew"
    assert ended.ended_at == clock.utc_now()
    assert ended.outcome == {"code": "done"}


def test_a_change_of_state_tells_its_event_before_the_callers(store: Store, new_job: NewJob) -> None:
    job = store.jobs.create(new_job)
    store.jobs.update(
        job.id,
        JobChange(state=JobState.RUNNING),
        NewEvent(EventType.JOB_STEP, {"step": "blank"}, job_id=job.id),
    )

    events = store.events.after(0, job_id=job.id)
    assert [event.type for event in events] == ["job-created", "job-state", "job-step"]
    assert events[1].data == {"from": "queued", "state": "running"}
    assert all(event.programmer_id == "prog-1" for event in events[:2])


def test_a_change_whose_event_cannot_be_stored_is_not_made(store: Store, new_job: NewJob) -> None:
    job = store.jobs.create(new_job)
    before = store.events.newest_id()
    unstorable = NewEvent(EventType.JOB_PROGRESS, {"rate": float("nan")}, job_id=job.id)  # NaN is no JSON

    with pytest.raises(Exception, match="JSON compliant"):
        store.jobs.update(job.id, JobChange(state=JobState.RUNNING), unstorable)

    assert store.jobs.get(job.id) == job
    assert store.events.newest_id() == before
    store.jobs.update(job.id, JobChange(state=JobState.RUNNING))  # and the store still works


def test_an_ended_job_keeps_its_record(store: Store, new_job: NewJob) -> None:
    job = store.jobs.create(new_job)
    store.jobs.update(job.id, JobChange(state=JobState.CANCELLED))
    with pytest.raises(BenchError) as failure:
        store.jobs.update(job.id, JobChange(outcome={"code": "rewritten"}))
    assert code_of(failure) is Code.JOB_STATE
    assert store.jobs.get(job.id).outcome is None


@pytest.mark.parametrize(
    "change",
    [
        {"programmer_id": "prog-9"},
        {"image_sha256": "ab" * 32},
        {"continues_id": "j_aaaaaaaaaaaaaaaa"},
    ],
)
def test_a_job_cannot_name_what_is_not_there(store: Store, new_job: NewJob, change: dict[str, Any]) -> None:
    with pytest.raises(BenchError) as failure:
        store.jobs.create(replace(new_job, **change))
    assert code_of(failure) is Code.NOT_FOUND
    assert next(iter(change.values())) in failure.value.message
    assert store.jobs.list() == ()


def test_a_read_names_its_image_at_the_end(store: Store, new_job: NewJob) -> None:
    job = store.jobs.create(replace(new_job, kind=JobKind.READ))
    store.jobs.update(job.id, JobChange(state=JobState.RUNNING))
    with pytest.raises(BenchError) as failure:
        store.jobs.update(job.id, JobChange(state=JobState.SUCCEEDED, image_sha256="cd" * 32))
    assert code_of(failure) is Code.NOT_FOUND
    store.images.add("cd" * 32, size_bytes=65536, name="read", image_format="raw", facts={})
    store.jobs.update(job.id, JobChange(state=JobState.SUCCEEDED, image_sha256="cd" * 32))
    assert store.jobs.get(job.id).image_sha256 == "cd" * 32


def test_one_key_makes_one_job(store: Store, new_job: NewJob) -> None:
    first = store.jobs.create(replace(new_job, idempotency_key="k1"))
    with pytest.raises(BenchError) as failure:
        store.jobs.create(replace(new_job, idempotency_key="k1"))
    assert code_of(failure) is Code.IDEMPOTENCY_REUSED
    assert failure.value.details["job_id"] == first.id
    assert store.jobs.find_by_key("k1") == first
    assert store.jobs.find_by_key("k2") is None
    store.jobs.create(new_job)
    store.jobs.create(new_job)  # without a key there is nothing to compare


def test_lists_are_newest_first_and_queues_oldest_first(store: Store, new_job: NewJob) -> None:
    # All at the same virtual instant: order must not hang on the clock.
    jobs = [store.jobs.create(new_job) for _ in range(5)]
    store.jobs.update(jobs[1].id, JobChange(state=JobState.CANCELLED))
    newest_first = [job.id for job in reversed(jobs)]

    assert [job.id for job in store.jobs.list()] == newest_first
    assert [job.id for job in store.jobs.list(limit=2)] == newest_first[:2]
    page = store.jobs.list(limit=2, before_number=jobs[3].number)
    assert [job.id for job in page] == newest_first[2:4]
    assert [job.id for job in store.jobs.list(states=[JobState.CANCELLED])] == [jobs[1].id]
    assert store.jobs.list(kind=JobKind.READ) == ()
    assert [job.id for job in store.jobs.queued("prog-1")] == [jobs[i].id for i in (0, 2, 3, 4)]
    assert store.jobs.queued("prog-2") == ()


def test_an_unknown_job_is_said_to_be_unknown(store: Store) -> None:
    with pytest.raises(BenchError, match="j_x") as failure:
        store.jobs.get("j_x")
    assert code_of(failure) is Code.NOT_FOUND
    with pytest.raises(BenchError, match="j_x") as failure:
        store.jobs.update("j_x", JobChange())
    assert code_of(failure) is Code.NOT_FOUND


def test_a_restart_interrupts_what_ran_on_this_bench_alone(
    url: str, store: Store, new_job: NewJob, clock: ManualClock
) -> None:
    with Store.open(url, clock, "b_two") as other:
        queued, running, waiting, done = (store.jobs.create(new_job) for _ in range(4))
        theirs = other.jobs.create(new_job)
        other.jobs.update(theirs.id, JobChange(state=JobState.RUNNING))
        for job in (running, waiting, done):
            steps = (replace(job.steps[0], state=StepState.RUNNING, done_bytes=77), job.steps[1])
            store.jobs.update(job.id, JobChange(state=JobState.RUNNING, steps=steps))
        store.jobs.update(waiting.id, JobChange(state=JobState.WAITING))
        store.jobs.update(done.id, JobChange(state=JobState.SUCCEEDED))
        clock.advance_s(60)

        interrupted = store.jobs.interrupt_running()

        assert [job.id for job in interrupted] == [running.id, waiting.id]
        for job in interrupted:
            kept = store.jobs.get(job.id)
            assert kept == job
            assert kept.state is JobState.INTERRUPTED
            assert kept.ended_at == clock.utc_now()
            assert kept.outcome is not None
            assert kept.outcome["code"] == "interrupted"
            assert [step.state for step in kept.steps] == [StepState.INTERRUPTED, StepState.PENDING]
            assert kept.steps[0].done_bytes == 77
        assert store.jobs.get(queued.id).state is JobState.QUEUED
        assert store.jobs.get(done.id).state is JobState.SUCCEEDED
        assert store.jobs.get(theirs.id).state is JobState.RUNNING
        assert store.jobs.interrupt_running() == ()


def test_an_interrupted_job_is_continued_by_a_new_one(store: Store, new_job: NewJob) -> None:
    old = store.jobs.create(new_job)
    store.jobs.update(old.id, JobChange(state=JobState.RUNNING))
    store.jobs.interrupt_running()
    new = store.jobs.create(replace(new_job, continues_id=old.id))
    assert store.jobs.get(new.id).continues_id == old.id


def test_benches_see_their_own_jobs_unless_they_ask_for_all(
    url: str, store: Store, new_job: NewJob, clock: ManualClock
) -> None:
    with Store.open(url, clock, "b_two") as other:
        mine, theirs = store.jobs.create(new_job), other.jobs.create(new_job)
        assert [job.id for job in store.jobs.list()] == [mine.id]
        assert {job.id for job in store.jobs.list(all_benches=True)} == {mine.id, theirs.id}
        assert store.jobs.get(theirs.id) == theirs
        with pytest.raises(BenchError) as failure:
            store.jobs.update(theirs.id, JobChange(state=JobState.CANCELLED))
        assert code_of(failure) is Code.NOT_FOUND
        assert [job.id for job in other.jobs.queued()] == [theirs.id]
