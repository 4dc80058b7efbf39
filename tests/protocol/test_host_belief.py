"""What the host link tells of the device, and what it does not believe."""

import pytest
from host_steps import MEASURED, S, accept, alive, lost, measure, open_link, result, sent
from scripted_peer import answer, raw_frame

from protocol.host.events import (
    Accepted,
    DataArrived,
    DeviceEvent,
    FaultsChanged,
    LossReason,
)
from protocol.messages import (
    Read,
)
from protocol.wire import EventCode, Fault, Kind, Mode, Opcode


def test_faults_are_told_when_they_change_whatever_brings_them() -> None:
    link = open_link()
    measure(link, 0.0)
    link.receive(accept(1, faults=0x10), 0.01)
    link.receive(accept(1, faults=0x10), 0.02)
    assert link.take_events() == [FaultsChanged(Fault.WATCHDOG), Accepted(1)]
    assert link.faults == Fault.WATCHDOG
    link.receive(raw_frame(Kind.EVENT, 0, S, b"\1\x30\0"), 0.03)
    both = Fault.WATCHDOG | Fault.SOCKET_OPENED
    assert link.take_events() == [FaultsChanged(both), DeviceEvent(EventCode.FAULT, both)]
    link.receive(result(0), 0.04)
    assert link.take_events()[0] == FaultsChanged(Fault.NONE)


def test_a_doubled_event_is_told_once_and_an_unknown_one_only_for_its_faults() -> None:
    link = open_link()
    button = raw_frame(Kind.EVENT, 0, S, b"\2\0\0")
    link.receive(button + button, 0.0)
    assert link.take_events() == [DeviceEvent(EventCode.BUTTON, Fault.NONE)]
    link.receive(raw_frame(Kind.EVENT, 1, S, b"\x63\x01\0later"), 0.0)
    assert link.take_events() == [FaultsChanged(Fault.VCC_OVER_CURRENT)]


def test_a_nak_for_an_unknown_reason_is_obeyed() -> None:
    link = open_link()
    measure(link, 0.0)
    link.take_output()
    link.receive(raw_frame(Kind.NAK, 0, S, b"\0\0\x63"), 0.01)
    assert len(sent(link)) == 1


def test_data_reaches_its_reader_and_no_other() -> None:
    link = open_link()
    ticket = link.submit(Opcode.READ, Read(0, 100, Mode.READ, 5000, 64), 0.0)
    data = raw_frame(Kind.DATA, 0, S, b"\1\0" + bytes(36))
    link.receive(data, 0.01)
    assert link.take_events() == [DataArrived(ticket, 1, bytes(36))]
    link.receive(raw_frame(Kind.DATA, 1, S, b"\0\0x"), 0.02)
    assert link.counters.stale == 1
    assert link.take_events() == []


READ_OK = bytes(8)


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        (result(0, Opcode.READ, 0, READ_OK[:7]), "7 bytes, needs 8"),
        (result(0, Opcode.READ, 0x7F, b""), "unknown status 0x7f"),
        (result(0, Opcode.BLANK, 0, bytes(10)), "answers opcode 0x15, asked was 0x14"),
        (raw_frame(Kind.RESULT, 0, S, b"\x14\0\0"), "3 bytes, needs 4"),
        (raw_frame(Kind.ACCEPT, 1, S, b"\0"), "ACCEPT has 1 bytes"),
        (raw_frame(Kind.NAK, 0, S, b""), "NAK has 0 bytes"),
        (raw_frame(Kind.EVENT, 0, S, b"\1\0"), "EVENT has 2 bytes"),
        (raw_frame(Kind.DATA, 0, S, b"\0\0"), "0 bytes, asked were 64"),
        (raw_frame(Kind.DATA, 0, S, b"\0"), "0 bytes, asked were 64"),
        (raw_frame(Kind.DATA, 0, S, b"\0\0" + bytes(65)), "65 bytes, asked were 64"),
        (raw_frame(Kind.DATA, 0, S, b"\x04\0" + bytes(64)), "block 4 lies behind the 100 words"),
        (raw_frame(Kind.DATA, 1, S, b"\0\0x"), "request 1, which is MEASURE"),
        (raw_frame(Kind.REPLY, 1, S, answer(Opcode.ABORT, 0, b"\0\0")), "answers opcode 0x03"),
        (raw_frame(Kind.REPLY, 1, S, answer(Opcode.KEEPALIVE, 0, bytes(7))), "7 bytes, needs 8"),
        (raw_frame(Kind.REPLY, 1, S, answer(Opcode.KEEPALIVE, 1)), "status UNKNOWN_OPCODE"),
        (alive(1, 32), "above 31"),
        (alive(1, 2, done=77), "above 31"),
        (alive(1, 2, running=32), "above 31"),
        (alive(1, 3), "expects request 3, neither sent nor next"),
        (alive(1, 31), "expects request 31, neither sent nor next"),
    ],
)
def test_a_device_that_breaks_the_table_is_not_believed(frame: bytes, words: str) -> None:
    link = open_link()
    link.submit(Opcode.READ, Read(0, 100, Mode.READ, 5000, 64), 0.0)
    measure(link, 0.0)
    link.keepalive(0.0)
    link.receive(frame, 0.01)
    event = lost(link)
    assert event.reason is LossReason.VIOLATION
    assert words in event.words
    assert event.unfinished == (1, 2)


def test_a_device_that_takes_back_what_it_completed_is_not_believed() -> None:
    link = open_link()
    measure(link, 0.0)
    measure(link, 0.0)
    link.receive(result(1), 0.01)
    link.keepalive(0.02)
    link.receive(alive(1, 1), 0.03)
    assert lost(link).reason is LossReason.VIOLATION


@pytest.mark.parametrize("kind", [Kind.CONTROL, Kind.REQUEST])
def test_an_echo_of_our_own_frames_tells_nothing(kind: Kind) -> None:
    link = open_link()
    link.receive(raw_frame(kind, 0, S, b"\x17"), 0.0)
    assert link.take_events() == []
    assert link.counters.stale == 1


def test_frames_of_another_session_are_dropped() -> None:
    link = open_link()
    measure(link, 0.0)
    link.receive(raw_frame(Kind.RESULT, 0, S + 1, answer(Opcode.MEASURE, 0, MEASURED)), 0.01)
    assert link.take_events() == []
    assert link.counters.stale == 1


def test_queued_tickets_that_never_left_are_named_apart() -> None:
    link = open_link(window=2)
    for _ in range(4):
        measure(link, 0.0)
    link.cut("unplugged")
    event = lost(link)
    assert event.unfinished == (1, 2, 3, 4)
    assert event.never_sent == (3, 4)
