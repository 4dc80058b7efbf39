"""Who may use a programmer."""

import pytest

from daemon.clock import ManualClock
from daemon.errors import BenchError, Code
from daemon.programmers.leases import Leases


@pytest.fixture
def clock():
    return ManualClock()


@pytest.fixture
def leases(clock):
    return Leases(clock)


def test_a_lone_client_needs_none(leases):
    leases.require("p", None)


def test_a_lease_keeps_others_out_until_it_runs_out(leases, clock):
    mine = leases.take("p", "bench page", 60)
    leases.require("p", mine.id)
    leases.require("q", None)
    for wrong in (None, "l_other"):
        with pytest.raises(BenchError) as caught:
            leases.require("p", wrong)
        assert caught.value.code is Code.LEASE_HELD
        assert caught.value.details["holder"] == "bench page"
    clock.advance_s(60)
    leases.require("p", None)
    assert leases.of("p") is None


def test_renewing_keeps_the_id_and_moves_the_end(leases, clock):
    first = leases.take("p", "me", 60)
    clock.advance_s(50)
    assert leases.take("p", "me", 60).id == first.id
    clock.advance_s(50)
    held = leases.of("p")
    assert held is not None
    assert held.expires_in_s == pytest.approx(10)


def test_another_holder_is_refused_and_may_come_after_release(leases):
    mine = leases.take("p", "me", 60)
    with pytest.raises(BenchError):
        leases.take("p", "you", 60)
    with pytest.raises(BenchError) as caught:
        leases.release("p", "l_wrong")
    assert caught.value.code is Code.LEASE_UNKNOWN
    leases.release("p", mine.id)
    assert leases.take("p", "you", 60).holder == "you"
