"""What is said beforehand of a job's time, against what it takes; and what is said while it runs."""

import itertools
import random

import pytest

from daemon.catalogue.terms import EraseMethod, Loop, SignatureMethod
from daemon.jobs.estimate import estimate_job
from daemon.jobs.questions import QuestionBox
from daemon.jobs.request import JobRequest, Skippable
from daemon.jobs.runner import JobControl
from daemon.programmers.session import StopSignal
from daemon.store.model import JobKind, JobState
from daemon.transport.memory import Wire
from simulator.programmer.profile import modest
from simulator.stock import Stock
from simulator.supplies import SupplyName
from tests.support.virtual_bench import PARTS, virtual_bench

DENSE = random.Random(17).randbytes(1 << 18)
#: As the docstring of `estimate_job` states them.
SHARE, SELF_TIMED_SHARE, SLACK_S = 0.05, 0.35, 0.3
SELF_TIMED = {Loop.BYTE_WRITE, Loop.PAGE_WRITE, Loop.COMMAND}
#: Kinds that move content over the line.
ON_THE_LINE = {JobKind.READ, JobKind.VERIFY, JobKind.PROGRAM}
ALTERING = {JobKind.PROGRAM, JobKind.WRITE, JobKind.ERASE}
KINDS = [
    JobKind.IDENTIFY,
    JobKind.PIN_CHECK,
    JobKind.BLANK_CHECK,
    JobKind.READ,
    JobKind.WRITE,
    JobKind.VERIFY,
    JobKind.ERASE,
    JobKind.ERASE_CHECK,
    JobKind.PROGRAM,
]


def one_of_each_sort(size_max):
    """Return one part of each way to be written, erased, locked and read, the smallest."""
    sorts = {}
    for part in sorted(PARTS, key=lambda part: (part.size_bytes, part.id)):
        write = part.write
        sort = (
            write and (write.loop, write.lockable, write.semantics, bool(write.overprogram_factor)),
            part.erase.method,
            part.width_bits,
            part.signature.method,
        )
        if part.package.startswith("DIP") and part.size_bytes <= size_max:
            sorts.setdefault(sort, part.id)
    return sorted(sorts.values())


def makes_sense(part, kind):
    if kind in (JobKind.PROGRAM, JobKind.WRITE):
        return part.write is not None
    if kind is JobKind.ERASE:
        return part.erase.method is EraseMethod.ELECTRICAL
    if kind is JobKind.ERASE_CHECK:
        return part.erase.method is EraseMethod.UV
    return kind is not JobKind.IDENTIFY or part.signature.method is not SignatureMethod.NONE


CASES = [
    (part_id, kind)
    for part_id in one_of_each_sort(1 << 17)
    for kind in KINDS
    if makes_sense(PARTS.get(part_id), kind)
]

ETA_PARTS = ["st-m27c512", "ti-tms27c256", "st-m27256", "atmel-at28c256", "amd-am27c1024"]


def check(tmp_path, part_id, kind, baud):
    part = PARTS.get(part_id)
    stock = Stock.USED if kind is JobKind.ERASE else Stock.BLANK
    line = Wire(baud=baud, latency_to_host_s=0.001, latency_to_device_s=0.0005) if baud else None
    with virtual_bench(tmp_path, part_id, stock, wire=line) as bench:
        content = None
        if kind in (JobKind.PROGRAM, JobKind.WRITE):
            content = DENSE[: part.size_bytes]
        elif kind is JobKind.VERIFY:
            content = bench.held
        # The signature by command of parts that are written by pages is not simulated.
        skip = {Skippable.SIGNATURE} if part.write and part.write.loop is Loop.PAGE_WRITE else set()
        job = bench.run(kind, part, content, skip=skip)
        assert job.state is JobState.SUCCEEDED, job.outcome
        took_s, said_s = job.outcome["numbers"]["took_s"], job.outcome["numbers"]["estimated_s"]
        assert said_s == job.estimate["total_s"]
        if kind is JobKind.PROGRAM and part.erase.method is EraseMethod.ELECTRICAL:
            said_s -= job.estimate["steps_s"]["erase"]  # a blank chip goes without
        self_timed = kind in ALTERING and (part.write.loop in SELF_TIMED or kind is JobKind.ERASE)
        share = SELF_TIMED_SHARE if self_timed else SHARE
        assert took_s == pytest.approx(said_s, rel=share, abs=SLACK_S)


@pytest.mark.no_cover
@pytest.mark.parametrize(("part_id", "kind"), CASES)
def test_a_job_takes_as_long_as_was_said(tmp_path, part_id, kind):
    check(tmp_path, part_id, kind, None)


@pytest.mark.no_cover
@pytest.mark.parametrize(("part_id", "kind"), [case for case in CASES if case[1] in ON_THE_LINE])
def test_on_a_slow_line_too(tmp_path, part_id, kind):
    check(tmp_path, part_id, kind, 115_200)


@pytest.mark.no_cover
@pytest.mark.slow
@pytest.mark.parametrize("baud", [500_000, 1_000_000])
@pytest.mark.parametrize("part_id", ["st-m27c512", "ti-tms27c256", "amd-am27c1024"])
@pytest.mark.parametrize("kind", [JobKind.READ, JobKind.PROGRAM])
def test_on_faster_lines(tmp_path, part_id, kind, baud):
    check(tmp_path, part_id, kind, baud)


def test_on_a_small_board(tmp_path):
    with virtual_bench(tmp_path, "st-m27c256b", profile=modest(), wire=Wire(baud=115_200)) as bench:
        job = bench.run(JobKind.READ, "st-m27c256b")
        numbers = job.outcome["numbers"]
        assert numbers["took_s"] == pytest.approx(numbers["estimated_s"], rel=SHARE, abs=SLACK_S)


def test_a_read_back_is_counted_when_it_is_asked_for(tmp_path):
    with virtual_bench(tmp_path, "st-m27c512", Stock.USED, wire=Wire(baud=115_200)) as bench:
        job = bench.run(JobKind.VERIFY, "st-m27c512", bench.held, read_back=True)
        numbers = job.outcome["numbers"]
        # 65,536 bytes at 11,520 bytes a second are 5.7 s, at two supplies.
        assert numbers["estimated_s"] > 11
        assert numbers["took_s"] == pytest.approx(numbers["estimated_s"], rel=SHARE, abs=SLACK_S)


def test_checks_that_are_left_out_take_no_time(tmp_path):
    with virtual_bench(tmp_path, "st-m27c512") as bench:
        plan = bench.plan(JobKind.PROGRAM, "st-m27c512", DENSE[:100])
        skip = {Skippable.BLANK_CHECK, Skippable.SIGNATURE}
        request = JobRequest(kind=JobKind.PROGRAM, part="st-m27c512", image="0" * 64, skip=skip)
        shorter = estimate_job(request, plan.part, plan.content, plan.identity, 1024, None)
        assert shorter.steps_s["blank-check"] == shorter.steps_s["signature"] == 0
        assert plan.estimate.steps_s["blank-check"] > 0


# While it runs


def told(bench, job):
    return [
        event for event in bench.store.events.after(0, 10_000, job_id=job.id) if event.type == "job-progress"
    ]


@pytest.mark.parametrize("baud", [None, 115_200])
@pytest.mark.parametrize("part_id", ETA_PARTS)
def test_what_is_left_shrinks_and_is_about_right(tmp_path, part_id, baud):
    part = PARTS.get(part_id)
    with virtual_bench(tmp_path, part_id, wire=Wire(baud=baud)) as bench:
        job = bench.run(JobKind.PROGRAM, part, DENSE[: part.size_bytes])
        assert job.state is JobState.SUCCEEDED, job.outcome
        events = told(bench, job)
        left = [event.data["eta_s"] for event in events]
        assert len(left) > 5
        # Rounded to a tenth of a second.
        assert all(later <= earlier + 0.11 for earlier, later in itertools.pairwise(left))
        for event in events:
            really_s = (job.ended_at - event.at).total_seconds()
            assert really_s == pytest.approx(event.data["eta_s"], rel=SELF_TIMED_SHARE, abs=0.7)


def test_waiting_for_a_person_is_no_pace(tmp_path):
    """What is left is told without the time in which nothing was done."""

    class Slow(QuestionBox):
        def ask(self, question, meanwhile):
            bench.clock.advance_s(600)
            bench.programmer.turn_trimmer(SupplyName.VPP, 12.75, bench.clock.monotonic_s())
            return True

    with virtual_bench(tmp_path, "st-m27c512", profile=modest()) as bench:
        control = JobControl(StopSignal(), Slow())
        job = bench.run(JobKind.WRITE, "st-m27c512", DENSE[:32_768], control=control, allow_low_vcc=True)
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert all(event.data["eta_s"] < 10 for event in told(bench, job))
        numbers = job.outcome["numbers"]
        assert numbers["waited_s"] == pytest.approx(600, abs=0.5)
        assert numbers["took_s"] - numbers["waited_s"] == pytest.approx(
            numbers["estimated_s"], rel=SHARE, abs=SLACK_S
        )
