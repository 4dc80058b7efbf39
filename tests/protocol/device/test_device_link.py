"""The device's link alone: each requirement of `SPEC.md` sections 2 to 4 that it answers for, by number."""

import zlib

import pytest
from cobs import cobs

from protocol import fields
from protocol.device import DeviceLink, DeviceState, Outcome
from protocol.framing import Frame, encode_frame
from protocol.identity import Identity
from protocol.messages import (
    Accept,
    ClearFault,
    HelloReply,
    Nak,
)
from protocol.wire import Fault, Kind, NakReason, Opcode, Status
from tests.protocol.device.link_host import PROGRAMMED, LinkHost, program
from tests.support.device_rig import Got, kinds, results

# Frames


@pytest.mark.parametrize("change", ["bit", "short", "long", "cobs", "device-kind", "no-opcode"])
def test_d1_damage_has_no_effect_but_a_nak(host: LinkHost, change: str) -> None:
    sound = host.request_frame(Opcode.MEASURE, number=0)
    damaged = {
        "bit": bytes((sound[0], sound[1] ^ 0x80)) + sound[2:],
        "short": cobs.encode(b"\x20\x01\x00\x01\x02\x03") + b"\x00",
        "long": encode_frame(Frame(Kind.REQUEST, 0, host.session, bytes(64 + 33))),
        "cobs": b"\x09\x01\x02\x00",
        "device-kind": encode_frame(Frame(Kind.ACCEPT, 0, host.session, bytes(2))),
        "no-opcode": encode_frame(Frame(Kind.REQUEST, 0, host.session, b"")),
    }[change]
    got = host.send_bytes(damaged)
    assert kinds(got) == [Kind.NAK]
    assert fields.decode(Nak, got[0].content).reason is NakReason.DAMAGED
    assert host.device.next_request() is None
    assert host.device.stats(0.0).damaged == 1


def test_d1_a_frame_longer_than_any_is_dropped_in_bounded_memory(host: LinkHost) -> None:
    for _ in range(100):
        assert host.send_bytes(b"\x55" * 4096) == []
    assert kinds(host.send_bytes(b"\x00")) == [Kind.NAK]
    assert kinds(host.request(Opcode.MEASURE)) == [Kind.ACCEPT]


def test_d2_empty_blocks_mean_nothing(host: LinkHost) -> None:
    assert host.send_bytes(bytes(50)) == []
    assert host.device.stats(0.0).damaged == 0


def test_d3_frames_may_be_cut_and_merged_anywhere(host: LinkHost) -> None:
    stream = host.request_frame(Opcode.MEASURE) + host.request_frame(Opcode.MEASURE)
    got: list[Got] = []
    for byte in stream:
        got += host.send_bytes(bytes((byte,)))
    assert [frame.number for frame in got] == [1, 2]
    merged = host.request_frame(Opcode.MEASURE) + host.request_frame(Opcode.MEASURE)
    assert [frame.number for frame in host.send_bytes(merged)] == [3, 4]


@pytest.mark.parametrize("tail", [b"", b"\x01"])
def test_d4_both_forms_of_cobs_at_254(tail: bytes) -> None:
    host = LinkHost(max_payload=1024, rx_bytes=2000)
    host.device = DeviceLink(Identity(), host.limits, boot_id=1, last_session=0x1110)
    host.greet()
    # A body of exactly 254 bytes without a zero: a salt for which the CRC has none either.
    for salt in range(1, 256):
        body = b"\x20\x11\x11\x7e" + bytes((salt,)) + b"\x55" * 245
        body += zlib.crc32(body).to_bytes(4, "little")
        if 0 not in body:
            break
    assert len(body) == 254
    assert kinds(host.send_bytes(b"\xff" + body + tail + b"\x00")) == [Kind.ACCEPT]


# Sessions


def test_d5_hello_starts_a_session_and_answers_in_it() -> None:
    host = LinkHost()
    assert host.hello() == []
    assert host.device.stop_wanted, "first the pulse ends and the supplies go off"
    host.device.stopped()
    (reply,) = host.collect()
    assert (reply.kind, reply.status, reply.session) == (Kind.REPLY, Status.OK, host.device.session)
    assert host.device.session != 0
    detail: HelloReply = reply.detail
    assert (detail.nonce, detail.major, detail.boot_id) == (host.nonce, 1, 7)
    assert (detail.max_payload, detail.window, detail.rx_bytes, detail.watchdog_ms) == (64, 4, 600, 1000)


def test_d5_the_same_nonce_is_answered_again_and_changes_nothing(host: LinkHost) -> None:
    host.request(Opcode.PROGRAM, program(1))
    assert host.device.next_request() is not None
    session = host.device.session
    (first, again) = (host.frames[0], host.hello(host.nonce)[0])
    assert again.content == first.content
    assert again.session == first.session == session
    assert host.device.state is DeviceState.RUNNING
    assert not host.device.stop_wanted


def test_d5_another_nonce_drops_the_queue_without_results(host: LinkHost) -> None:
    for op in (1, 2, 3):
        host.request(Opcode.PROGRAM, program(op))
    host.device.next_request()
    before = host.device.session
    assert host.hello() == []
    assert host.request(Opcode.MEASURE, number=3) == [], "the old session is over at once"
    host.device.stopped(Outcome(Status.ABORTED, PROGRAMMED))
    (reply,) = host.collect()
    host.take_over([reply])
    assert (reply.kind, reply.status) == (Kind.REPLY, Status.OK)
    assert host.session not in (0, before)
    assert host.device.next_request() is None
    assert kinds(host.request(Opcode.MEASURE)) == [Kind.ACCEPT], "numbers start at 0 again"


def test_d5_session_numbers_are_never_zero_and_never_repeat_at_once() -> None:
    host = LinkHost()
    host.device = DeviceLink(Identity(), host.limits, boot_id=1, last_session=0xFFFD)
    seen: list[int] = []
    for _ in range(4):
        host.greet()
        seen.append(host.session)
    assert seen == [0xFFFE, 0xFFFF, 1, 2]


def test_d7_another_major_version_changes_nothing(host: LinkHost) -> None:
    host.request(Opcode.PROGRAM, program(1))
    host.device.next_request()
    (reply,) = host.hello(nonce=99, major=2)
    assert (reply.kind, reply.status, reply.session) == (Kind.REPLY, Status.UNKNOWN_VERSION, 0)
    detail: HelloReply = reply.detail
    assert (detail.nonce, detail.major, detail.minor) == (99, 1, 0)
    assert host.device.session == host.session
    assert host.device.state is DeviceState.RUNNING


def test_d8_frames_of_other_sessions_are_dropped_and_do_not_feed_the_watchdog(host: LinkHost) -> None:
    host.device.set_energised(True)
    host.now_s = 0.5
    session, host.session = host.session, host.session + 1
    assert host.request(Opcode.MEASURE) == []
    assert host.control(Opcode.ABORT) == []
    assert host.control(Opcode.KEEPALIVE) == []
    assert host.device.deadline_s() == 1.0
    host.session = session
    host.control(Opcode.KEEPALIVE)
    assert host.device.deadline_s() == 1.5


def test_d9_no_request_is_answered_before_hello() -> None:
    host = LinkHost()
    for session in (0, 1, 0xFFFF):
        host.session = session
        assert host.request(Opcode.MEASURE, number=0) == []
        assert host.control(Opcode.KEEPALIVE) == []
    assert host.send_bytes(b"\x05rubbish\x00") == [], "and no NAK without a session"


def test_d31_unknown_and_misplaced_opcodes_come_back_as_they_came(host: LinkHost) -> None:
    for opcode in (0x7E, Opcode.KEEPALIVE, Opcode.HELLO):
        host.request(opcode, b"\x01\x02")
        (result,) = host.serve()
        assert (result.answer.opcode, result.status) == (opcode, Status.UNKNOWN_OPCODE)
    for opcode in (0x7E, Opcode.MEASURE):
        (reply,) = host.control(opcode)
        assert (reply.answer.opcode, reply.status) == (opcode, Status.UNKNOWN_OPCODE)


def test_d31_bytes_of_a_later_minor_version_are_ignored(host: LinkHost) -> None:
    host.request(Opcode.CLEAR_FAULT, fields.encode(ClearFault(Fault.WATCHDOG)) + b"\x01\x02\x03")
    request = host.device.next_request()
    assert request is not None
    assert request.message == ClearFault(Fault.WATCHDOG)


# Order and loss


def test_d10_the_next_request_is_accepted_with_the_number_after_it(host: LinkHost) -> None:
    for number in range(70):
        (accept,) = host.request(Opcode.MEASURE)
        assert (accept.kind, accept.number) == (Kind.ACCEPT, (number + 1) % 32)
        assert fields.decode(Accept, accept.content).faults is Fault.NONE
        assert results(host.serve()) == [(number % 32, Status.OK)]


@pytest.mark.parametrize("window", [1, 2, 4, 16])
def test_d10_numbers_around_the_expected_one(window: int) -> None:
    for ahead in range(1, 32):
        host = LinkHost(window=window, rx_bytes=4000)
        host.greet()
        for _ in range(20):
            host.request(Opcode.MEASURE)
            host.serve()
        got = host.request(Opcode.MEASURE, number=(20 + ahead) % 32)
        if ahead < window:
            assert kinds(got) == [Kind.NAK]
        elif ahead >= 32 - window:
            assert kinds(got) == [Kind.RESULT]
        else:
            assert got == []
            assert host.device.stats(0.0).damaged == 1


def test_d10_a_number_that_nobody_has_had_is_no_repeat(host: LinkHost) -> None:
    assert host.request(Opcode.MEASURE, number=31) == []
    assert host.device.stats(0.0).damaged == 1


def test_d11_a_repeat_is_answered_and_never_carried_out_again(host: LinkHost) -> None:
    frame = host.request_frame(Opcode.PROGRAM, program(1))
    assert kinds(host.send_bytes(frame * 3)) == [Kind.ACCEPT] * 3
    assert host.device.next_request() is not None
    (running,) = host.send_bytes(frame)
    assert (running.kind, running.number) == (Kind.ACCEPT, 1)
    host.device.complete(Outcome(Status.OK, PROGRAMMED))
    (result,) = host.collect()
    (again,) = host.send_bytes(frame)
    assert again.content == result.content
    assert host.device.next_request() is None
    assert host.device.stats(0.0).executed == 1
    assert host.device.stats(0.0).repeats == 4


def test_d11_the_last_window_results_are_kept_and_told_with_the_faults_of_now(host: LinkHost) -> None:
    for _ in range(6):
        host.request(Opcode.MEASURE)
        host.serve()
    host.device.latch(Fault.SOCKET_OPENED)
    host.collect()
    for number in (2, 3, 4, 5):
        (again,) = host.request(Opcode.MEASURE, number=number)
        assert (again.kind, again.number) == (Kind.RESULT, number)
        assert again.answer.faults is Fault.SOCKET_OPENED
    assert host.request(Opcode.MEASURE, number=1) == []


def test_d12_one_result_each_in_order(host: LinkHost) -> None:
    stream = b"".join(host.request_frame(Opcode.MEASURE) for _ in range(4))
    host.send_bytes(stream)
    assert results(host.serve()) == [(number, Status.OK) for number in range(4)]
    assert host.serve() == []


def test_d13_acceptance_does_not_wait_for_the_running_request(host: LinkHost) -> None:
    host.request(Opcode.PROGRAM, program(1))
    assert host.device.next_request() is not None
    assert kinds(host.request(Opcode.PROGRAM, program(2))) == [Kind.ACCEPT]
    assert host.device.next_request() is None, "one at a time"


def test_d14_malformed_requests_complete_as_such(host: LinkHost) -> None:
    assert kinds(host.request(Opcode.READ, b"\x01\x02")) == [Kind.ACCEPT]
    assert kinds(host.request(Opcode.PROGRAM, b"\x01\x00\x00\x00\x00\x00\x09")) == [Kind.ACCEPT]
    assert results(host.serve()) == [(0, Status.MALFORMED), (1, Status.MALFORMED)]
    assert all(not frame.answer.detail for frame in host.frames if frame.kind is Kind.RESULT)


def test_d15_one_nak_per_gap(host: LinkHost) -> None:
    (nak,) = host.request(Opcode.MEASURE, number=2)
    assert (nak.kind, nak.number) == (Kind.NAK, 0)
    assert fields.decode(Nak, nak.content).reason is NakReason.GAP
    assert host.request(Opcode.MEASURE, number=3) == []
    assert host.send_bytes(b"\x05rubbish\x00") == []
    assert kinds(host.request(Opcode.MEASURE, number=0)) == [Kind.ACCEPT]
    assert kinds(host.request(Opcode.MEASURE, number=3)) == [Kind.NAK], "a new gap, a new NAK"
    assert host.device.stats(0.0).naks == 2


def test_d15_no_room_in_window_or_bytes() -> None:
    host = LinkHost(window=2)
    host.greet()
    host.request(Opcode.MEASURE)
    host.request(Opcode.MEASURE)
    (nak,) = host.request(Opcode.MEASURE)
    assert (nak.number, fields.decode(Nak, nak.content).reason) == (2, NakReason.NO_ROOM)
    host.serve()
    assert kinds(host.request(Opcode.MEASURE, number=2)) == [Kind.ACCEPT]

    host = LinkHost(window=16, rx_bytes=96)
    host.greet()
    assert kinds(host.request(Opcode.PROGRAM, program(1, 60))) == [Kind.ACCEPT]
    (nak,) = host.request(Opcode.PROGRAM, program(2, 60))
    assert fields.decode(Nak, nak.content).reason is NakReason.NO_ROOM
    host.serve(Outcome(Status.OK, PROGRAMMED))
    assert kinds(host.request(Opcode.PROGRAM, program(2, 60), number=1)) == [Kind.ACCEPT]
