"""Jobs handed in, queued, stopped, answered, continued, and ended whatever happens."""

import itertools
import threading
from dataclasses import replace

import pytest

from daemon.errors import BenchError, Code
from daemon.jobs.desk import JobDesk
from daemon.jobs.request import Answer, JobRequest
from daemon.programmers.views import ProgrammerState
from daemon.store.model import JobKind, JobState
from simulator.programmer.profile import full, modest
from simulator.stock import Stock
from simulator.supplies import SupplyName
from tests.daemon.jobs.desk_jobs import CONTENT, LOOK, program, waiting
from tests.support.one_bench import PART, one_bench
from tests.support.ports import Silent, until

SOME = "f" * 64


# The queue


def test_jobs_of_a_programmer_run_one_at_a_time_in_the_order_they_came(one):
    hold = one.hold(step="program")
    first = one.bench.submit(program(one))
    hold.reached()
    later = [one.bench.submit(LOOK) for _ in range(3)]
    assert one.bench.job(first.id).state is JobState.RUNNING
    assert [one.bench.job(job.id).state for job in later] == [JobState.QUEUED] * 3
    view = one.bench.programmer("SIM-1")
    assert (view.state, view.running_job_id, view.queued_jobs) == (ProgrammerState.BUSY, first.id, 3)
    hold.let_go()
    ended = [one.ended(job) for job in (first, *later)]
    begun = [(job.started_at, job.number) for job in ended]
    assert begun == sorted(begun)
    for before, after in itertools.pairwise(ended):
        assert before.ended_at <= after.started_at
    assert ended[0].state is JobState.SUCCEEDED
    until(lambda: one.bench.programmer("SIM-1").state is ProgrammerState.READY)
    view = one.bench.programmer("SIM-1")
    assert (view.running_job_id, view.queued_jobs) == (None, 0)


def test_a_queue_has_an_end(one, monkeypatch):
    monkeypatch.setattr(JobDesk, "queue_max", 2)
    hold = one.hold(step="pin-check")
    jobs = [one.bench.submit(LOOK)]
    hold.reached()
    jobs += [one.bench.submit(LOOK) for _ in range(2)]
    with pytest.raises(BenchError) as caught:
        one.bench.submit(LOOK)
    assert caught.value.code is Code.JOB_QUEUE_FULL
    assert "2 jobs" in caught.value.message
    hold.let_go()
    for job in jobs:
        one.ended(job)
    assert one.ended(one.bench.submit(LOOK)).state is JobState.SUCCEEDED


def test_a_queued_job_waits_for_a_programmer_that_has_gone(tmp_path):
    with one_bench(tmp_path) as one:
        hold = one.hold(step="pin-check")
        first = one.bench.submit(LOOK)
        hold.reached()
        second = one.bench.submit(LOOK)
        one.lines[-1].unplug()
        hold.let_go()
        assert one.ended(first).outcome["code"] == "port-lost"
        # The board is there again at the next try, half a second later.
        assert one.ended(second).state is JobState.SUCCEEDED


# What is refused before anything is recorded


@pytest.mark.parametrize(
    ("request_", "code", "words"),
    [
        (
            {"kind": "program", "part": "mask-23128", "image": SOME},
            "part-read-only",
            "cannot be programmed",
        ),
        ({"kind": "erase", "part": PART}, "part-cannot", "cannot be erased electrically"),
        ({"kind": "read", "part": PART, "start_bytes": 8192}, "job-request", "0x1fff"),
        ({"kind": "read", "part": PART, "start_bytes": 1, "length_bytes": 8192}, "job-request", "0x1fff"),
        ({"kind": "read", "part": PART, "length_bytes": 0}, "job-request", "range"),
        ({"kind": "identify", "part": PART, "start_bytes": 1}, "job-request", "identify"),
        ({"kind": "erase", "part": "sst-39sf010a", "length_bytes": 100}, "job-request", "erase"),
        # M27C64A data sheet: a device read at 9 V would be destroyed (absolute maximum 7 V).
        ({"kind": "read", "part": PART, "supply_checks_v": [9.0]}, "job-request", "9.00 V"),
        (
            {"kind": "verify", "part": PART, "image": SOME, "supply_checks_v": [3.0]},
            "job-request",
            "3.00 V",
        ),
        ({"kind": "read", "part": PART, "supply_checks_v": [5.0, 4.5]}, "job-request", "one VCC"),
    ],
)
def test_what_can_never_go_well_is_refused_at_once(one, request_, code, words):
    with pytest.raises(BenchError) as caught:
        one.bench.submit(JobRequest(**request_))
    assert caught.value.code == code
    assert words in caught.value.message
    assert one.bench.jobs() == ()


def test_a_vpp_that_the_programmer_does_not_have_is_refused_at_once(tmp_path):
    board = full("SIM-1")
    lower = replace(board.vpp.range, maximum_mv=14_000)
    profile = replace(board, vpp=replace(board.vpp, range=lower), identity=replace(board.identity, vpp=lower))
    with one_bench(tmp_path, "st-m2716", profile=profile) as one:
        asked = JobRequest(kind=JobKind.PROGRAM, part="st-m2716", image=one.image(CONTENT[:2048]))
        # It can be looked at, and the preview says what is missing.
        assert any("cannot program" in limit for limit in one.bench.preview(asked).limits)
        with pytest.raises(BenchError) as caught:
            one.bench.submit(asked)
        assert caught.value.code is Code.PROGRAMMER_CANNOT
        assert "25.00 V" in caught.value.message
        assert one.ended(one.bench.submit(JobRequest(kind=JobKind.BLANK_CHECK, part="st-m2716"))).state is (
            JobState.SUCCEEDED
        )


# Cancelling


def test_a_queued_job_is_cancelled_at_once_and_touches_nothing(one):
    hold = one.hold(step="pin-check")
    first = one.bench.submit(LOOK)
    hold.reached()
    second = one.bench.submit(program(one))
    cancelled = one.bench.cancel(second.id)
    assert cancelled.state is JobState.CANCELLED
    assert "not touched" in cancelled.outcome["summary"]
    hold.let_go()
    assert one.ended(first).state is JobState.SUCCEEDED
    assert one.bench.job(second.id).started_at is None
    with pytest.raises(BenchError) as caught:
        one.bench.cancel(second.id)
    assert caught.value.code is Code.JOB_ENDED


def test_a_running_job_is_cancelled_with_its_supplies_off(one):
    hold = one.hold("job-progress", step="program")
    job = one.bench.submit(program(one))
    hold.reached()
    assert one.bench.cancel(job.id).state is JobState.RUNNING
    # Once more does no harm.
    one.bench.cancel(job.id)
    hold.let_go()
    ended = one.ended(job)
    assert (ended.state, ended.outcome["code"]) == (JobState.CANCELLED, "cancelled")
    assert one.supplies_off
    assert one.ended(one.bench.submit(LOOK)).outcome["code"] == "not-blank"


def test_a_running_job_is_cancelled_although_the_store_is_ill(one):
    hold = one.hold("job-progress", step="program")
    job = one.bench.submit(program(one))
    hold.reached()
    get = one.bench.store.jobs.get

    def ill(job_id):
        raise BenchError(Code.STORE_UNREACHABLE, "the database does not answer")

    one.bench.store.jobs.get = ill
    with pytest.raises(BenchError) as caught:
        one.bench.cancel(job.id)
    assert caught.value.code is Code.STORE_UNREACHABLE
    one.bench.store.jobs.get = get
    hold.let_go()
    assert one.ended(job).state is JobState.CANCELLED
    assert one.supplies_off


def test_a_job_is_cancelled_although_its_signal_came_before_it_listened(one):
    """Between the record that it runs and its first step."""
    hold = one.hold("job-state", state="running")
    job = one.bench.submit(program(one))
    hold.reached()
    cancelled = []
    # The desk is held with its lock taken: the cancel waits for it, as one that comes at this moment would.
    thread = threading.Thread(target=lambda: cancelled.append(one.bench.cancel(job.id)))
    thread.start()
    hold.let_go()
    thread.join(10)
    assert cancelled
    ended = one.ended(job)
    assert ended.state is JobState.CANCELLED
    assert one.supplies_off


# Questions


@pytest.fixture
def by_hand(tmp_path):
    """A bench whose board has VPP on a trimmer, set right."""
    with one_bench(tmp_path, profile=modest("SIM-1")) as started:
        started.board.turn_trimmer(SupplyName.VPP, 12.5, started.clock.monotonic_s())
        yield started


def test_a_waiting_job_goes_on_when_it_is_answered(by_hand):
    job = waiting(by_hand)
    (question,) = [e for e in by_hand.bench.events_after(0, job_id=job.id)[0] if e.type == "job-question"]
    assert question.data["vpp_mv"] == 12_500  # M27C64A data sheet: VPP 12.5 V
    by_hand.clock.advance_s(90)
    by_hand.bench.answer(job.id, Answer(confirm=True))
    ended = by_hand.ended(job)
    assert ended.state is JobState.SUCCEEDED, ended.outcome
    assert ended.outcome["numbers"]["waited_s"] == pytest.approx(90, abs=1)
    assert ended.outcome["numbers"]["took_s"] > 90


def test_an_answer_is_taken_from_the_moment_the_question_can_be_seen(by_hand):
    """A script that follows the events answers faster than any person."""
    refused = []

    def answer(newest):
        event = by_hand.bench.store.events.after(newest - 1, 1)[0]
        if event.type == "job-question":
            try:
                by_hand.bench.answer(event.job_id, Answer(confirm=True))
            except BenchError as error:
                refused.append(error)

    by_hand.bench.on_event(answer)
    job = by_hand.bench.submit(program(by_hand, allow_low_vcc=True))
    assert by_hand.ended(job).state is JobState.SUCCEEDED
    assert refused == []


def test_no_gives_the_job_up(by_hand):
    job = waiting(by_hand)
    by_hand.bench.answer(job.id, Answer(confirm=False))
    assert by_hand.ended(job).state is JobState.CANCELLED
    with pytest.raises(BenchError) as caught:
        by_hand.bench.answer(job.id, Answer(confirm=True))
    assert caught.value.code is Code.NO_QUESTION


def test_a_waiting_job_can_be_cancelled(by_hand):
    job = waiting(by_hand)
    by_hand.bench.cancel(job.id)
    ended = by_hand.ended(job)
    assert (ended.state, ended.outcome["code"]) == (JobState.CANCELLED, "cancelled")
    assert by_hand.supplies_off


def test_a_job_that_asks_nothing_takes_no_answer(one):
    hold = one.hold(step="pin-check")
    job = one.bench.submit(LOOK)
    hold.reached()
    with pytest.raises(BenchError) as caught:
        one.bench.answer(job.id, Answer(confirm=True))
    assert caught.value.code is Code.NO_QUESTION
    hold.let_go()
    one.ended(job)


@pytest.mark.parametrize("how", ["unplugged", "switched off"])
def test_a_waiting_job_notices_that_its_programmer_has_gone(by_hand, how):
    job = waiting(by_hand)
    if how == "unplugged":
        by_hand.lines[-1].unplug()
    else:
        by_hand.lines[-1].replug(Silent())
        # Nothing happens on the line while a job waits, so virtual time has to be moved.
        until(lambda: by_hand.clock.advance_s(1) or by_hand.bench.job(job.id).state is JobState.FAILED, 20)
    ended = by_hand.ended(job)
    assert ended.state is JobState.FAILED
    assert ended.outcome["code"] == ("port-lost" if how == "unplugged" else "link-lost")


# Leases


def test_only_the_holder_of_a_lease_starts_jobs(one):
    lease = one.bench.lease("SIM-1", "left", 60)
    for attempt in (None, "l_other"):
        with pytest.raises(BenchError) as caught:
            one.bench.submit(LOOK, lease_id=attempt)
        assert caught.value.code is Code.LEASE_HELD
        assert "left" in caught.value.message
    job = one.ended(one.bench.submit(program(one), lease_id=lease.id))
    assert job.state is JobState.SUCCEEDED
    one.bench.release("SIM-1", lease.id)
    assert one.ended(one.bench.submit(LOOK)).outcome["code"] == "not-blank"


def test_to_continue_a_job_needs_the_lease_too(one):
    hold = one.hold(step="program")
    job = one.bench.submit(program(one))
    hold.reached()
    one.bench.cancel(job.id)
    hold.let_go()
    one.ended(job)
    lease = one.bench.lease("SIM-1", "left", 60)
    with pytest.raises(BenchError) as caught:
        one.bench.continue_job(job.id)
    assert caught.value.code is Code.LEASE_HELD
    again = one.bench.continue_job(job.id, lease_id=lease.id)
    assert again.continues_id == job.id
    assert one.ended(again).state is JobState.SUCCEEDED


# Continuing


def test_only_what_was_cut_off_can_be_continued(one):
    good = one.ended(one.bench.submit(LOOK))
    hold = one.hold(step="pin-check")
    running = one.bench.submit(LOOK)
    hold.reached()
    queued = one.bench.submit(LOOK)
    for job in (good, running, queued):
        with pytest.raises(BenchError) as caught:
            one.bench.continue_job(job.id)
        assert caught.value.code is Code.JOB_STATE
        assert str(one.bench.job(job.id).state) in caught.value.message
    hold.let_go()
    one.ended(queued)


def test_a_failed_job_can_be_continued(tmp_path):
    with one_bench(tmp_path, stock=Stock.REVERSED) as one:
        asked = program(one)
        short = asked.model_copy(update={"part": "M27C64A", "image": asked.image[:8]})
        failed = one.ended(one.bench.submit(short))
        assert failed.outcome["code"] == "chip-reversed"
        now_s = one.clock.monotonic_s()
        one.board.insert(one.board.remove(now_s), now_s)
        again = one.ended(one.bench.continue_job(failed.id))
        assert again.state is JobState.SUCCEEDED
        # What the names meant then is what they mean now.
        assert again.params == {**failed.params, "programmer": "SIM-1", "part": PART, "image": asked.image}
