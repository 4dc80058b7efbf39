"""A programmer that was reset or switched off while nothing was asked of it."""

import pytest

from daemon.errors import BenchError, Code
from daemon.jobs.request import JobRequest
from daemon.store.model import JobState
from daemon.transport.memory import Direction
from tests.support.one_bench import PART, one_bench
from tests.support.virtual_bench import virtual_bench


def test_one_that_was_heard_a_moment_ago_is_not_asked(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        sent = []
        bench.transport.fault = lambda direction, data, at_s: sent.append(direction) or [(0.0, data)]
        bench.session.make_sure()
        assert not sent


def test_one_that_is_there_says_so(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        bench.clock.advance_s(1.0)
        sent = []
        bench.transport.fault = lambda direction, data, at_s: sent.append(direction) or [(0.0, data)]
        bench.session.make_sure()
        assert sent == [Direction.TO_DEVICE, Direction.TO_HOST]


def test_one_that_was_reset_meanwhile_is_found_out_within_seconds(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        bench.clock.advance_s(1.0)
        bench.programmer.reset(bench.clock.monotonic_s())
        began_s = bench.clock.monotonic_s()
        with pytest.raises(BenchError) as caught:
            bench.session.make_sure()
        assert caught.value.code is Code.LINK_LOST
        assert bench.clock.monotonic_s() - began_s < 6.5


def test_a_silent_one_is_not_said_to_answer(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        bench.transport.fault = lambda direction, data, at_s: []
        with pytest.raises(BenchError) as caught:
            bench.socketed(bench.programmer.socket.chip.part).power_off()
        assert caught.value.code is Code.LINK_LOST


def test_a_job_handed_in_after_a_reset_is_done_on_a_new_link(tmp_path):
    with one_bench(tmp_path) as one:
        one.clock.advance_s(1.0)
        one.board.reset(one.clock.monotonic_s())
        job = one.bench.submit(JobRequest(kind="pin-check", part=PART))
        ended = one.ended(job)
        assert ended.state is JobState.SUCCEEDED, ended.outcome
