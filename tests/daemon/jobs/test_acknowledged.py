"""A continued job gives pulses only to what was not done: judged by the charge of the chip's cells."""

import random

import numpy as np
import pytest

from daemon.catalogue.terms import Semantics
from daemon.jobs.questions import QuestionBox
from daemon.jobs.request import JobRequest
from daemon.jobs.runner import JobControl
from daemon.programmers.session import StopSignal
from daemon.store.model import JobKind, JobState
from simulator.stock import Stock, make_socket
from tests.support.one_bench import one_bench
from tests.support.virtual_bench import PARTS, virtual_bench

DENSE = random.Random(9).randbytes(1 << 16)
#: With an overprogram pulse of three times what a word took, with two passes, and overwritten byte by byte.
SOME = ("st-m27c64a", "atmel-at27c256r", "atmel-at28c64")


def cut_off_at_half(bench, part, content):
    control = JobControl(StopSignal(), QuestionBox())

    def stop_at_half(newest):
        event = bench.store.events.after(newest - 1, 1)[0]
        if event.type == "job-progress" and event.data["done_bytes"] > 0.6 * part.size_bytes:
            control.stop.ask()

    end = bench.store.on_event(stop_at_half)
    job = bench.run(JobKind.PROGRAM, part, content, control=control)
    end()
    assert job.state is JobState.CANCELLED
    return bench.store.jobs.get(job.id)


def acknowledged(job):
    (step,) = [step for step in job.steps if step.name == "program"]
    return step.acknowledged


def charge(bench, part):
    chip = bench.programmer.socket.chip
    return chip.cells.thresholds_mv(np.arange(part.words, dtype=np.uint32)).astype(int)


@pytest.mark.parametrize("part_id", ["st-m27c64a", "st-m27256", "intel-27512"])
def test_done_words_get_no_more_charge(tmp_path, part_id):
    part = PARTS.get(part_id)
    content = DENSE[: part.size_bytes]
    with virtual_bench(tmp_path, part_id) as bench:
        first = cut_off_at_half(bench, part, content)
        ((start, end),) = acknowledged(first)
        assert start == 0
        assert 0.5 * part.size_bytes < end < part.size_bytes
        before = charge(bench, part)
        second = bench.run(JobKind.PROGRAM, part, content, before=first)
        assert second.state is JobState.SUCCEEDED, second.outcome
        assert bench.held == content
        more = (charge(bench, part) != before).any(axis=1)
        # A word of a clear-only part that is to stay erased is never pulsed (SPEC.md section 8).
        pulsed = np.frombuffer(content, np.uint8) != part.blank_byte
        assert not more[:end].any()
        assert (more[end:] == pulsed[end:]).all()
        # Both attempts together give what one would have given, and a block more at most.
        pulses = first.outcome["numbers"]["pulses"] + second.outcome["numbers"]["pulses"]
        assert pulsed.sum() <= pulses + 1024
        assert pulses <= 1.02 * pulsed.sum() + 1024


@pytest.mark.parametrize("part_id", SOME)
def test_another_chip_is_programmed_from_the_start(tmp_path, part_id):
    part = PARTS.get(part_id)
    content = DENSE[: part.size_bytes]
    with virtual_bench(tmp_path, part_id) as bench:
        first = cut_off_at_half(bench, part, content)
        bench.swap(make_socket(part, Stock.BLANK, 5, socket_pins=48))
        second = bench.run(JobKind.PROGRAM, part, content, before=first)
        assert second.state is JobState.SUCCEEDED, second.outcome
        assert bench.held == content
        assert second.outcome["numbers"]["programmed_words"] == part.words


@pytest.mark.parametrize("part_id", SOME)
def test_what_is_done_is_not_sent_again(tmp_path, part_id):
    part = PARTS.get(part_id)
    content = DENSE[: part.size_bytes]
    with virtual_bench(tmp_path, part_id) as bench:
        first = cut_off_at_half(bench, part, content)
        before_bytes = bench.session.counters.bytes_out
        second = bench.run(JobKind.PROGRAM, part, content, before=first)
        assert second.state is JobState.SUCCEEDED, second.outcome
        assert bench.held == content
        sent_bytes = bench.session.counters.bytes_out - before_bytes
        done_bytes = sum(end - start for start, end in acknowledged(first))
        # In the first of two passes no word is done yet.
        two_passes = part_id == "atmel-at27c256r"
        assert (done_bytes == 0) is two_passes
        assert sent_bytes < 1.1 * (part.size_bytes - done_bytes) + 2000
        if part.write.semantics is Semantics.OVERWRITE:
            assert second.outcome["numbers"]["programmed_words"] == part.words - done_bytes


def test_a_bench_remembers_what_a_job_had_got_done(tmp_path):
    with one_bench(tmp_path, "st-m27256") as one:
        part, content = PARTS.get("st-m27256"), DENSE[:32768]
        wish = JobRequest(kind=JobKind.WRITE, part=part.id, image=one.image(content))
        hold = one.hold("job-progress", step="program", state="running")
        job = one.bench.submit(wish)
        hold.reached()
        one.bench.cancel(job.id)
        hold.let_go()
        first = one.ended(job)
        second = one.ended(one.bench.continue_job(job.id))
        assert second.state is JobState.SUCCEEDED, second.outcome
        done = sum(end - start for start, end in acknowledged(first))
        assert 0 < done < part.size_bytes
        assert acknowledged(second) == ((0, part.size_bytes),)
        assert second.outcome["numbers"]["programmed_words"] == part.words - done
