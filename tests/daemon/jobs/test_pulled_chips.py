"""A chip that is pulled out while it is looked at, on a board that does not feel its socket."""

from dataclasses import replace

import pytest

from daemon.jobs.outcome import OutcomeCode, Verdict
from daemon.store.model import JobKind, JobState
from protocol.wire import Capability
from simulator.programmer.profile import full
from simulator.stock import Stock
from tests.support.virtual_bench import virtual_bench

PART = "st-m27c256b"


def sensorless():
    profile = full("SIM-1")
    capabilities = profile.identity.capabilities & ~Capability.SOCKET_SENSOR
    return replace(profile, identity=replace(profile.identity, capabilities=capabilities))


@pytest.mark.parametrize("kind", [JobKind.BLANK_CHECK, JobKind.READ])
def test_an_empty_socket_is_not_called_a_blank_chip(tmp_path, kind):
    with virtual_bench(tmp_path, PART, Stock.USED, profile=sensorless()) as bench:
        board, clock = bench.programmer, bench.clock
        read = bench.transport.read

        def pulling(timeout_s):
            # As soon as a supply is on for the look, the chip is gone.
            if board.supplies.vcc.on and board.socket.chip is not None:
                board.remove(clock.monotonic_s())
            return read(timeout_s)

        bench.transport.read = pulling
        job = bench.run(kind, PART)
        assert job.state is JobState.FAILED
        assert job.outcome["code"] == OutcomeCode.CHIP_MISSING
        assert ("pin-check", Verdict.FAILED) in {
            (each["name"], each["verdict"]) for each in job.outcome["checks"]
        }
        assert not bench.kept


@pytest.mark.parametrize("kind", [JobKind.BLANK_CHECK, JobKind.READ])
def test_a_chip_that_stays_is_judged_as_ever(tmp_path, kind):
    with virtual_bench(tmp_path, PART, profile=sensorless()) as bench:
        assert bench.run(kind, PART).state is JobState.SUCCEEDED
