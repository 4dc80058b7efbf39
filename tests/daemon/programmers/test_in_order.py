"""Ends of requests come in the order of the requests, whatever the line does to results."""

import zlib

import pytest

from daemon.programmers.in_order import InOrder
from daemon.transport.memory import Direction
from protocol.host.events import Completed
from protocol.messages import Nothing
from protocol.wire import Fault, Opcode, Status
from simulator.stock import Stock
from tests.support.virtual_bench import PARTS, virtual_bench

ASKED = (Opcode.MEASURE, Nothing())
PART = PARTS.get("st-m27c64a")


def end(ticket):
    return Completed(ticket, Opcode.MEASURE, Status.OK, Fault.NONE, None)


def test_an_end_that_overtook_another_waits_for_it():
    line = InOrder([ASKED] * 3)
    for ticket in (5, 6, 7):
        assert line.next() == ASKED
        line.sent(ticket)
    assert line.next() is None
    assert line.ended(end(6))
    assert list(line.take()) == []
    assert line.ended(end(5))
    assert [each.ticket for each in line.take()] == [5, 6]
    assert not line.ended(end(6))
    assert not line.done
    assert line.ended(end(7))
    assert [each.ticket for each in line.take()] == [7]
    assert line.done


def test_requests_that_depend_on_ends_come_when_they_are_there():
    ends = []

    def requests():
        yield ASKED
        while not ends:
            yield None
        yield ASKED

    line = InOrder(requests())
    assert line.next() == ASKED
    line.sent(1)
    assert line.next() is None
    assert line.next() is None
    line.ended(end(1))
    ends += line.take()
    assert line.next() == ASKED
    line.sent(2)
    assert line.next() is None
    assert not line.done


@pytest.mark.parametrize("lost", range(9))
def test_each_result_is_that_of_its_request_though_one_is_lost(tmp_path, lost):
    with virtual_bench(tmp_path, PART.id, Stock.USED) as bench:
        socketed = bench.socketed(PART)
        socketed.set_up()
        came = 0

        def lose_one(direction, data, _at_s):
            nonlocal came
            if direction is Direction.TO_DEVICE or not data:
                return [(0.0, data)]
            came += 1
            return [] if came == lost + 1 else [(0.0, data)]

        bench.transport.fault = lose_one
        askings = [socketed.powering(5000), *(socketed.digesting(at, at + 1) for at in range(6))]
        results = socketed.together(*askings)
        bench.transport.fault = None
        held = bench.held
        assert [each.crc for each in results[1:]] == [zlib.crc32(held[at : 2 * at + 1]) for at in range(6)]
