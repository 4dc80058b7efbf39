"""What goes wrong around the desk: parts and images that went away, a store in trouble, a bench that ends."""

import threading
from types import SimpleNamespace

import pytest

from daemon.adapters.files import Adapters
from daemon.errors import BenchError, Code
from daemon.jobs.desk import JobDesk
from daemon.jobs.planning import Planner
from daemon.jobs.runner import Runner
from daemon.programmers.leases import Leases
from daemon.store.model import JobChange, JobKind, JobState, NewJob, Step
from simulator.programmer.profile import modest
from tests.daemon.jobs.desk_jobs import LOOK, program, waiting
from tests.support.identities import FULL
from tests.support.one_bench import PART, one_bench
from tests.support.ports import until

# What went away in between


def recorded(one, **changes):
    """Record a job as an earlier run of the daemon would have left it in the queue."""
    values = {
        "kind": JobKind.BLANK_CHECK,
        "programmer_id": "SIM-1",
        "part_id": PART,
        "params": {"kind": "blank-check", "part": PART},
        "steps": (Step("connect", "Connect"),),
    }
    return one.bench.store.jobs.create(NewJob(**values | changes))


def test_a_job_of_a_part_that_has_gone_says_so(one):
    job = one.ended(recorded(one, part_id="gone-27c64"))
    assert (job.state, job.outcome["code"]) == (JobState.FAILED, "part-unknown")
    assert "gone-27c64" in job.outcome["summary"]


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"params": {"kind": "blank-check", "part": PART, "flavour": 7}}, "flavour"),
        ({"params": {"part": PART}}, "kind"),
        ({"steps": (Step("polish", "Polish"),)}, "polish"),
    ],
)
def test_a_job_of_another_version_says_so(one, changes, named):
    job = one.ended(recorded(one, **changes))
    assert (job.state, job.outcome["code"]) == (JobState.FAILED, "job-request")
    assert "another version" in job.outcome["summary"]
    assert named in job.outcome["summary"]
    assert one.ended(one.bench.submit(LOOK)).state is JobState.SUCCEEDED


def test_an_image_cannot_be_deleted_while_a_job_waits_for_it(one):
    hold = one.hold(step="pin-check")
    one.bench.submit(LOOK)
    hold.reached()
    job = one.bench.submit(program(one))
    with pytest.raises(BenchError) as caught:
        one.bench.delete_image(job.image_sha256)
    assert caught.value.code is Code.IMAGE_IN_USE
    hold.let_go()
    assert one.ended(job).state is JobState.SUCCEEDED
    one.bench.delete_image(job.image_sha256)
    with pytest.raises(BenchError):
        one.bench.image(job.image_sha256)


def test_an_image_whose_file_has_gone_fails_the_job(one):
    hold = one.hold(step="pin-check")
    one.bench.submit(LOOK)
    hold.reached()
    job = one.bench.submit(program(one))
    (file,) = one.bench.settings.state_dir.rglob(job.image_sha256)
    file.unlink()
    hold.let_go()
    ended = one.ended(job)
    assert (ended.state, ended.outcome["code"]) == (JobState.FAILED, "blob-missing")


# A store in trouble


def test_a_store_that_is_full_for_a_while_loses_no_end_and_no_programmer(one):
    store = one.bench.store.jobs
    update, full = store.update, []

    def refuse(job_id, change, *events):
        if full and (full.append(change) or len(full) < 8):
            raise BenchError(Code.DISK_FULL, "no room")
        return update(job_id, change, *events)

    store.update = refuse
    hold = one.hold(step="verify")
    job = one.bench.submit(program(one))
    hold.reached()
    full.append("from now on")
    hold.let_go()
    ended = one.ended(job)
    # The chip was verified, and in the end that is what is written down.
    assert ended.state is JobState.SUCCEEDED, ended.outcome
    assert len(full) >= 8
    assert one.ended(one.bench.submit(LOOK)).outcome["code"] == "not-blank"


def test_an_end_that_cannot_be_written_is_no_end_of_the_programmer(one):
    """An outcome with a value that JSON does not have, by a mistake of ours."""

    class OddRunner(Runner):
        def run(self, assignment, session, control):
            return JobChange(state=JobState.SUCCEEDED, outcome={"code": "ok", "odd": object()})

    class Worker:
        programmer_id = "odd"
        busy = None

        def set_busy(self, busy):
            self.busy = busy

    store = one.bench.store
    store.programmers.upsert("odd", serial=None, info={})
    runner = OddRunner(store, one.clock, one.bench.catalogue, lambda part, data: "")
    desk = JobDesk(store, Planner(one.bench.catalogue, None, Adapters()), Leases(one.clock), runner)
    session = SimpleNamespace(identity=FULL, make_sure=lambda: None)
    first, second = (recorded(one, programmer_id="odd") for _ in range(2))
    worker = Worker()
    assert desk.work(worker, session)
    assert desk.work(worker, session)
    assert not desk.work(worker, session)
    for job in (first, second):
        ended = store.jobs.get(job.id)
        assert (ended.state, ended.outcome["code"]) == (JobState.FAILED, "internal")
    assert worker.busy is False


# Ending the bench


def stopping(one):
    """Begin to end the bench, and return the thread that does it, once it takes no more jobs."""
    thread = threading.Thread(target=one.bench.stop, args=(10,))
    thread.start()

    def refuses():
        try:
            one.bench.submit(LOOK)
        except BenchError as error:
            return error.code is Code.BENCH_STOPPING
        return False

    until(refuses)
    return thread


def test_stopping_interrupts_the_running_job_and_keeps_the_queue(tmp_path):
    with one_bench(tmp_path) as one:
        hold = one.hold("job-progress", step="program")
        running = one.bench.submit(program(one))
        hold.reached()
        queued = one.bench.submit(LOOK)
        thread = stopping(one)
        hold.let_go()
        thread.join(10)
        assert one.supplies_off
    with one_bench(tmp_path, board=one.board, clock=one.clock) as again:
        ended = again.bench.job(running.id)
        assert (ended.state, ended.outcome["code"]) == (JobState.INTERRUPTED, "interrupted")
        assert next(step for step in ended.steps if step.name == "program").state == "interrupted"
        assert ended.outcome["numbers"]["supplies_after"] == "off"
        assert again.ended(queued).outcome["code"] == "not-blank"
        more = again.bench.continue_job(running.id)
        assert again.ended(more).state is JobState.SUCCEEDED


def test_stopping_interrupts_a_job_that_waits_for_a_person(tmp_path):
    with one_bench(tmp_path, profile=modest("SIM-1")) as one:
        job = waiting(one)
        stopping(one).join(10)
        assert one.supplies_off
    with one_bench(tmp_path, board=one.board, clock=one.clock) as again:
        assert again.bench.job(job.id).state is JobState.INTERRUPTED


def test_a_job_that_was_cancelled_before_the_end_of_the_bench_stays_cancelled(tmp_path):
    with one_bench(tmp_path) as one:
        hold = one.hold("job-progress", step="program")
        job = one.bench.submit(program(one))
        hold.reached()
        one.bench.cancel(job.id)
        thread = stopping(one)
        hold.let_go()
        thread.join(10)
    with one_bench(tmp_path, board=one.board, clock=one.clock) as again:
        assert again.bench.job(job.id).state is JobState.CANCELLED


def test_a_bench_that_is_stopped_begins_nothing_any_more(tmp_path):
    """A worker that has looked whether the bench ends, and not yet taken the next job."""
    with one_bench(tmp_path) as one:
        hold = one.hold(step="pin-check")
        first = one.bench.submit(LOOK)
        hold.reached()
        queued = [one.bench.submit(LOOK) for _ in range(5)]
        thread = stopping(one)
        hold.let_go()
        thread.join(10)
    with one_bench(tmp_path, board=one.board, clock=one.clock) as again:
        assert again.bench.job(first.id).state is JobState.INTERRUPTED
        for job in queued:
            assert again.ended(job).state is JobState.SUCCEEDED
