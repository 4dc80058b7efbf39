"""A chip that is pulled out while it is looked at."""

from dataclasses import replace

import pytest

from daemon.errors import Code
from daemon.jobs.outcome import OutcomeCode, Verdict
from daemon.store.model import JobKind, JobState, StepState
from protocol.wire import Capability
from simulator.programmer.profile import full
from simulator.stock import Stock
from tests.support.virtual_bench import virtual_bench

PART = "st-m27c256b"


def sensorless():
    profile = full("SIM-1")
    capabilities = profile.identity.capabilities & ~Capability.SOCKET_SENSOR
    return replace(profile, identity=replace(profile.identity, capabilities=capabilities))


def pulled_when(bench, ripe):
    """Take the chip out as soon as `ripe()`, which is asked whenever the host has something to say."""
    board, write = bench.programmer, bench.transport.write

    def pulling(data):
        if ripe() and board.socket.chip is not None:
            board.remove(bench.clock.monotonic_s())
        write(data)

    bench.transport.write = pulling


def missed(job):
    """The job has noticed that its chip has gone."""
    assert job.state is JobState.FAILED
    assert job.outcome["code"] == OutcomeCode.CHIP_MISSING
    checks = {(each["name"], each["verdict"]) for each in job.outcome["checks"]}
    return ("pin-check", Verdict.FAILED) in checks


def test_an_empty_socket_is_not_kept_as_a_chips_content(tmp_path):
    with virtual_bench(tmp_path, PART, Stock.USED, profile=sensorless()) as bench:
        pulled_when(bench, lambda: bench.programmer.supplies.vcc.on)
        assert missed(bench.run(JobKind.READ, PART))
        assert not bench.kept


@pytest.mark.parametrize("profile", [full("SIM-1"), sensorless()], ids=["feels", "does not feel"])
@pytest.mark.parametrize("kind", [JobKind.BLANK_CHECK, JobKind.READ])
def test_one_that_was_emptied_before_the_supply_came_on_is_no_blank_chip(tmp_path, kind, profile):
    """A board that feels its socket does not mind then: nothing is on."""
    with virtual_bench(tmp_path, PART, Stock.USED, profile=profile) as bench:

        def between():
            steps = bench.store.jobs.list()[0].steps
            return steps[1].state is StepState.DONE and not bench.programmer.supplies.vcc.on

        pulled_when(bench, between)
        assert missed(bench.run(kind, PART))
        assert not bench.kept


@pytest.mark.parametrize("kind", [JobKind.BLANK_CHECK, JobKind.READ])
def test_a_chip_that_stays_is_judged_as_ever(tmp_path, kind):
    with virtual_bench(tmp_path, PART, profile=sensorless()) as bench:
        assert bench.run(kind, PART).state is JobState.SUCCEEDED


def test_one_that_is_pushed_in_again_before_the_last_look_is_noticed_by_the_board(tmp_path):
    """The socket is empty for both counts; the chip comes back while their supply is still on."""
    with virtual_bench(tmp_path, PART, Stock.USED) as bench:
        board, write, chips = bench.programmer, bench.transport.write, []

        def meddling(data):
            steps, now_s = bench.store.jobs.list()[0].steps, bench.clock.monotonic_s()
            if steps[1].state is StepState.DONE and not chips and not board.supplies.vcc.on:
                chips.append(board.remove(now_s))
            elif chips and board.socket.chip is None and board.supplies.vcc.on:
                board.insert(chips[0], now_s)
            write(data)

        bench.transport.write = meddling
        job = bench.run(JobKind.BLANK_CHECK, PART)
        assert job.state is JobState.FAILED
        assert job.outcome["code"] == Code.DEVICE_FAULT
        assert "socket was opened" in job.outcome["summary"]
