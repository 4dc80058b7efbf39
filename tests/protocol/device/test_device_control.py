"""The device's link alone: what goes past the queue, exactly once, the watchdog and the table of states."""

import time
from typing import Any

import pytest

from protocol import fields
from protocol.device import DeviceState, IllegalMoveError, LinkLimits, Move, Outcome
from protocol.device.states import MOVES, moved
from protocol.messages import (
    AbortReply,
    Accept,
    ClearFault,
    EventMessage,
    KeepaliveReply,
    Nak,
    Nothing,
    ProgramResult,
    Read,
    ReadResult,
)
from protocol.wire import EventCode, Fault, Kind, Mode, Opcode, Status
from tests.protocol.device.link_host import MEASURED, PROGRAMMED, LinkHost, again, program
from tests.support.device_rig import kinds, results

# Control


def test_d16_keepalive_tells_where_the_device_stands(host: LinkHost) -> None:
    (reply,) = host.control(Opcode.KEEPALIVE, tag=17)
    assert (reply.kind, reply.number, reply.answer.opcode) == (Kind.REPLY, 17, Opcode.KEEPALIVE)
    assert reply.detail == KeepaliveReply(0, 0xFF, 0xFF, 0, 0)
    host.request(Opcode.MEASURE)
    host.serve()
    host.request(Opcode.PROGRAM, program(1))
    host.device.next_request()
    host.device.set_energised(True)
    host.device.progress_words = 5
    assert host.control(Opcode.KEEPALIVE)[0].detail == KeepaliveReply(2, 1, 0, 1, 5)


def test_d16_control_bypasses_a_full_window(host: LinkHost) -> None:
    for _ in range(4):
        host.request(Opcode.MEASURE)
    assert kinds(host.control(Opcode.KEEPALIVE)) == [Kind.REPLY]


def test_d16_a_hello_cut_short_is_damaged(host: LinkHost) -> None:
    assert kinds(host.control(Opcode.HELLO, b"\x01\x02")) == [Kind.NAK]


def test_d17_abort_answers_before_the_aborted_results(host: LinkHost) -> None:
    for op in (1, 2, 3):
        host.request(Opcode.PROGRAM, program(op))
    host.device.next_request()
    assert host.control(Opcode.ABORT, tag=9) == []
    host.device.stopped(Outcome(Status.ABORTED, ProgramResult(1, 1, 1, 0xFFFF_FFFF, 0, 0)))
    got = host.collect()
    assert kinds(got) == [Kind.REPLY, Kind.RESULT, Kind.RESULT, Kind.RESULT]
    assert (got[0].number, got[0].detail) == (9, AbortReply(expected=3, dropped=3))
    assert results(got) == [(number, Status.ABORTED) for number in range(3)]
    assert [frame.detail.words for frame in got[1:]] == [1, 0, 0]
    assert kinds(host.request(Opcode.MEASURE)) == [Kind.ACCEPT]


def test_d17_abort_with_nothing_to_stop_and_its_copy(host: LinkHost) -> None:
    host.control(Opcode.ABORT, tag=3)
    host.device.stopped()
    (reply,) = host.collect()
    assert reply.detail == AbortReply(0, 0)
    host.request(Opcode.PROGRAM, program(1))
    host.device.next_request()
    (again,) = host.control(Opcode.ABORT, tag=3)
    assert again.detail == AbortReply(0, 0)
    assert not host.device.stop_wanted, "a late copy does not stop what was begun since"
    host.control(Opcode.ABORT, tag=4)
    assert host.device.stop_wanted


def test_d17_hello_overtakes_an_abort_that_is_under_way(host: LinkHost) -> None:
    host.request(Opcode.PROGRAM, program(1))
    host.device.next_request()
    host.control(Opcode.ABORT)
    host.hello()
    host.device.stopped(Outcome(Status.ABORTED, PROGRAMMED))
    (reply,) = host.collect()
    assert reply.answer.opcode == Opcode.HELLO


def test_d18_an_operation_is_carried_out_once_in_a_work(host: LinkHost) -> None:
    host.device.start_work(1)
    assert again(host, 1) is None
    host.device.complete(Outcome(Status.OK, PROGRAMMED))
    host.collect()
    repeated = again(host, 1)
    assert repeated is not None
    assert (repeated.status, repeated.detail) == (Status.OK, PROGRAMMED)
    assert again(host, 2) is None
    host.device.complete(Outcome(Status.PROGRAM_FAILED, PROGRAMMED))
    host.collect()
    older = again(host, 1)
    assert older is not None
    assert (older.status, older.answer.detail) == (Status.ALREADY_DONE, b"")
    host.device.start_work(1)
    newest = again(host, 2)
    assert newest is not None
    assert newest.status is Status.PROGRAM_FAILED
    host.device.start_work(2)
    assert again(host, 1) is None, "another work counts from 0"


def test_d18_operation_numbers_outlive_hello_and_a_stopped_one_is_aborted(host: LinkHost) -> None:
    host.device.start_work(1)
    assert again(host, 1) is None
    host.hello()
    stopped = Outcome(Status.ABORTED, ProgramResult(1, 2, 2, 0xFFFF_FFFF, 0, 0))
    host.device.stopped(stopped)
    host.take_over(host.collect())
    repeated = again(host, 1)
    assert repeated is not None
    assert (repeated.status, repeated.detail) == (Status.ABORTED, stopped.detail)


def test_d18_a_refused_or_unbegun_request_has_not_begun(host: LinkHost) -> None:
    host.device.start_work(1)
    assert again(host, 1) is None
    host.device.complete(Outcome(Status.FAULTED))
    assert again(host, 1) is None
    host.request(Opcode.PROGRAM, program(2))
    host.control(Opcode.ABORT)
    host.device.stopped(Outcome(Status.ABORTED, PROGRAMMED))
    host.collect()
    assert again(host, 2) is None


# Watchdog and faults


def test_d19_the_watchdog_guards_supplies_and_running_requests(host: LinkHost) -> None:
    assert host.device.deadline_s() is None
    host.request(Opcode.PROGRAM, program(1))
    host.request(Opcode.PROGRAM, program(2))
    host.device.next_request()
    assert host.device.deadline_s() == 1.0
    host.device.tick(0.999)
    assert not host.device.stop_wanted
    host.device.tick(1.0)
    assert host.device.stop_wanted
    assert host.device.deadline_s() is None
    host.device.stopped(Outcome(Status.ABORTED, PROGRAMMED))
    got = host.collect()
    assert kinds(got)[-3:] == [Kind.EVENT, Kind.RESULT, Kind.RESULT]
    got = got[-3:]
    event = fields.decode(EventMessage, got[0].content)
    assert event == EventMessage(EventCode.FAULT, Fault.WATCHDOG)
    assert results(got) == [(0, Status.ABORTED), (1, Status.ABORTED)]
    assert host.device.state is DeviceState.FAULTED


def test_d19_a_frame_that_comes_too_late_does_not_save_it(host: LinkHost) -> None:
    host.device.set_energised(True)
    host.now_s = 1.5
    host.control(Opcode.KEEPALIVE)
    assert host.device.stop_wanted


def test_d20_faults_latch_and_ride_in_every_frame_but_data(host: LinkHost) -> None:
    host.device.latch(Fault.VPP_OVER_CURRENT)
    (event,) = host.collect()
    assert fields.decode(EventMessage, event.content) == EventMessage(EventCode.FAULT, Fault.VPP_OVER_CURRENT)
    host.device.latch(Fault.VPP_OVER_CURRENT)
    assert host.collect() == [], "told once"
    (accept,) = host.request(Opcode.MEASURE)
    (result,) = host.serve()
    (reply,) = host.control(Opcode.KEEPALIVE)
    (nak,) = host.send_bytes(b"\x05rubbish\x00")
    assert fields.decode(Accept, accept.content).faults is Fault.VPP_OVER_CURRENT
    assert result.answer.faults is reply.answer.faults is Fault.VPP_OVER_CURRENT
    assert fields.decode(Nak, nak.content).faults is Fault.VPP_OVER_CURRENT
    host.request(Opcode.CLEAR_FAULT, ClearFault(Fault.VPP_OVER_CURRENT))
    host.device.next_request()
    host.device.clear_faults(Fault.VPP_OVER_CURRENT)
    host.device.complete(Outcome(Status.OK, Nothing()))
    assert host.collect()[0].answer.faults is Fault.NONE
    assert host.device.state is DeviceState.OPEN


def test_events_count_from_zero_in_each_session_and_go_round(host: LinkHost) -> None:
    for _ in range(33):
        host.device.send_event(EventCode.BUTTON)
    assert [frame.number for frame in host.collect()] == [*range(32), 0]
    host.greet()
    host.device.send_event(EventCode.BUTTON)
    assert [frame.number for frame in host.collect()] == [0]


# The table of states


def test_illegal_moves_raise() -> None:
    for state in DeviceState:
        for move in Move:
            if move in MOVES[state]:
                assert moved(state, move) is MOVES[state][move]
            else:
                with pytest.raises(IllegalMoveError, match=state.name):
                    moved(state, move)


def test_the_executor_cannot_complete_what_does_not_run(host: LinkHost) -> None:
    with pytest.raises(RuntimeError):
        host.device.complete(MEASURED)
    with pytest.raises(RuntimeError):
        host.device.stopped()
    host.request(Opcode.MEASURE)
    host.device.next_request()
    with pytest.raises(TypeError, match="MEASURE"):
        host.device.complete(Outcome(Status.OK, PROGRAMMED))


@pytest.mark.parametrize(
    "limits",
    [{"max_payload": 63}, {"max_payload": 1025}, {"window": 0}, {"window": 17}, {"rx_bytes": 95},
     {"watchdog_ms": 199}, {"watchdog_ms": 10_001}],
)  # fmt: skip
def test_limits_outside_section_5_are_refused(limits: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=next(iter(limits))):
        LinkLimits(**{"max_payload": 64, "rx_bytes": 96, **limits})


def test_a_read_of_4_mib_costs_the_link_little(host: LinkHost) -> None:
    host = LinkHost(max_payload=1024, rx_bytes=2000)
    host.greet()
    host.request(Opcode.READ, Read(0, 1 << 22, Mode.READ, 5000, 1024))
    host.device.next_request()
    host.collect()
    payload = bytes(range(256)) * 4
    begun_s = time.process_time()
    sent = 0
    for block in range(4096):
        host.device.send_data(block, payload)
        if host.device.pending_bytes > 4096:
            sent += len(host.device.take_output())
    host.device.complete(Outcome(Status.OK, ReadResult(1 << 22, 0)))
    sent += len(host.device.take_output())
    spent_s = time.process_time() - begun_s
    # 3 header, 2 block number, 4 CRC, 5 COBS, 1 delimiter (SPEC.md section 2); RESULT takes up to 24.
    assert 4096 * (1024 + 15) <= sent <= 4096 * (1024 + 15) + 24
    # "A few tenths of a second", with room for a busy machine.
    assert spent_s < 1.0
