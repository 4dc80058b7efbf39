"""Requests of the host link: window, acceptance, completion, and what is sent again."""

from typing import Any

import pytest
from host_steps import MEASURED, S, accept, alive, lost, measure, nak, open_link, result, sent

from protocol.fields import encode
from protocol.framing import Frame
from protocol.host.events import (
    Accepted,
    Completed,
    KeepaliveAnswered,
    LossReason,
)
from protocol.host.states import LinkState
from protocol.messages import (
    Measured,
    Nothing,
    Program,
    ProgramResult,
    Read,
    Setup,
)
from protocol.wire import NONE_U32, Fault, Kind, Mode, Opcode, Pass, Status


def test_a_request_from_submission_to_completion() -> None:
    link = open_link()
    ticket = measure(link, 1.0)
    (frame,) = sent(link)
    assert frame == Frame(Kind.REQUEST, 0, S, bytes((Opcode.MEASURE,)))
    link.receive(accept(1), 1.01)
    link.receive(result(0), 1.02)
    assert link.take_events() == [
        Accepted(ticket),
        Completed(ticket, Opcode.MEASURE, Status.OK, Fault.NONE, Measured(5000, 0, 0xFFFF)),
    ]
    assert link.counters.rtt_s == pytest.approx(0.01)


def test_numbers_go_round_after_31() -> None:
    link = open_link()
    numbers = []
    for index in range(70):
        measure(link, index)
        numbers.append(sent(link)[0].number)
        link.receive(result(index % 32), index + 0.01)
    assert numbers == [index % 32 for index in range(70)]
    assert sum(isinstance(event, Completed) for event in link.take_events()) == 70


def test_a_result_acknowledges_all_before_it_and_is_no_round_trip() -> None:
    link = open_link()
    first, second = measure(link, 0.0), measure(link, 0.0)
    link.receive(result(1), 9.0)
    events = link.take_events()
    assert events[:2] == [Accepted(first), Accepted(second)]
    assert isinstance(events[2], Completed)
    assert events[2].ticket == second
    assert link.counters.rtt_s is None


def test_the_window_counts_from_the_oldest_without_a_result() -> None:
    link = open_link(window=2)
    for _ in range(4):
        measure(link, 0.0)
    assert [frame.number for frame in sent(link)] == [0, 1]
    link.receive(accept(1) + accept(2), 0.01)
    assert sent(link) == []
    # Number 1 is complete, but 0 is not: a device keeps the results of its last two only.
    link.receive(result(1), 0.02)
    assert [frame.number for frame in sent(link)] == [0]
    link.receive(result(0), 0.03)
    assert [frame.number for frame in sent(link)] == [2, 3]


def test_rx_bytes_bound_what_is_outstanding_but_one_is_always_allowed() -> None:
    link = open_link(window=8, rx_bytes=200)
    big = Program(1, 0, Pass.FULL, bytes(range(1, 65)))
    for _ in range(3):
        link.submit(Opcode.PROGRAM, big, 0.0)
    wire = link.take_output()
    assert wire.count(b"\0") == 2
    assert len(wire) <= 200
    done = encode(ProgramResult(64, 64, 1, NONE_U32, 0, 0))
    link.receive(result(0, Opcode.PROGRAM, 0, done), 0.1)
    assert [frame.number for frame in sent(link)] == [2]


@pytest.mark.parametrize(
    ("opcode", "message"),
    [
        (Opcode.PROGRAM, Program(1, 0, Pass.FULL, bytes(65))),
        (Opcode.PROGRAM, Program(1, 0, Pass.FULL, b"")),
        (Opcode.SETUP, Setup(1, 65, 0, bytes(65))),
        (Opcode.READ, Read(0, 1, Mode.READ, 5000, 65)),
        (Opcode.READ, Read(0, 1, Mode.READ, 5000, 0)),
        (Opcode.READ, Nothing()),
        (Opcode.KEEPALIVE, Nothing()),
        (Opcode.PROGRAM, Program(70_000, 0, Pass.FULL, b"x")),
    ],
)
def test_what_cannot_be_sent_is_our_mistake_and_takes_no_ticket(opcode: Opcode, message: Any) -> None:
    link = open_link()
    with pytest.raises(ValueError, match=r".+"):
        link.submit(opcode, message, 0.0)
    assert link.take_output() == b""
    assert measure(link, 0.0) == 1


def test_a_refusal_has_no_result() -> None:
    link = open_link()
    ticket = measure(link, 0.0)
    link.receive(result(0, status=Status.UNKNOWN_OPCODE, detail=b""), 0.1)
    assert link.take_events()[-1] == Completed(
        ticket, Opcode.MEASURE, Status.UNKNOWN_OPCODE, Fault.NONE, None
    )


def test_bytes_of_a_later_minor_are_ignored() -> None:
    link = open_link()
    measure(link, 0.0)
    link.receive(result(0, detail=MEASURED + b"more"), 0.1)
    completed = link.take_events()[-1]
    assert isinstance(completed, Completed)
    assert completed.result == Measured(5000, 0, 0xFFFF)


def test_unaccepted_requests_are_sent_again_with_doubling_until_the_link_is_lost() -> None:
    link = open_link(watchdog_ms=10_000)
    measure(link, 0.0)
    measure(link, 0.0)
    first = link.take_output()
    times = []
    for _ in range(200):
        now_s = link.deadline_s()
        if now_s is None:
            break
        link.tick(now_s)
        out = link.take_output()
        if first in out:
            times.append(now_s)
    # 250 ms doubled at each expiry up to 2 s (RFC 6298 rule 5.5, SPEC section 9), and each time what the
    # unaccepted bytes need on a line of 115200 baud (H7); the 8th expiry is the end.
    frame_s = len(first) / 2 * 10 / 115_200
    expected = [0.25, 0.75, 1.75, 3.75, 5.75, 7.75, 9.75]
    assert times == pytest.approx([after_s + (2 * n + 1) * frame_s for n, after_s in enumerate(expected)])
    event = lost(link)
    assert event.reason is LossReason.SILENT
    assert event.unfinished == (1, 2)
    assert event.never_sent == ()


def test_acceptance_restarts_the_timeout() -> None:
    """RFC 6298 rule 5.3."""
    link = open_link()
    measure(link, 0.0)
    measure(link, 0.0)
    link.receive(accept(1), 0.1)
    # R = 0.1: RTO = 0.1 + 4 x 0.05 = 0.3, from the acceptance on.
    assert link.deadline_s() == pytest.approx(0.2)  # KEEPALIVE comes before
    link.take_output()
    link.tick(0.39)
    assert [frame.kind for frame in sent(link)] == [Kind.CONTROL]
    link.tick(0.41)
    assert [frame.number for frame in sent(link) if frame.kind is Kind.REQUEST] == [1]


def test_frames_sent_twice_are_not_measured() -> None:
    """Karn's rule."""
    link = open_link()
    measure(link, 0.0)
    link.tick(0.26)
    link.receive(accept(1), 0.27)
    assert link.counters.rtt_s is None
    assert link.counters.retransmitted == 1


def test_a_nak_goes_back_and_acknowledges_what_is_before_it() -> None:
    link = open_link()
    tickets = [measure(link, 0.0) for _ in range(4)]
    link.take_output()
    link.receive(nak(2), 0.05)
    assert [frame.number for frame in sent(link)] == [2, 3]
    assert link.take_events() == [Accepted(tickets[0]), Accepted(tickets[1])]
    assert link.counters.naks == 1


def test_one_rewind_a_round_trip() -> None:
    link = open_link()
    link.keepalive(0.0)
    link.receive(alive(1, 0), 0.095)
    assert link.counters.rtt_s == pytest.approx(0.095)
    for _ in range(3):
        measure(link, 1.0)
    link.take_output()
    rewinds = []
    for step in range(30):
        now_s = 1.0 + step / 100
        link.receive(nak(0), now_s)
        if sent(link):
            rewinds.append(now_s)
    assert rewinds == pytest.approx([1.0, 1.1, 1.2])
    # Another number is another gap.
    link.receive(nak(1), 1.3)
    assert [frame.number for frame in sent(link)] == [1, 2]


def test_a_nak_that_crosses_a_repetition_makes_no_other() -> None:
    link = open_link()
    link.keepalive(0.0)
    link.receive(alive(1, 0), 0.1)
    measure(link, 1.0)
    measure(link, 1.0)
    link.tick(1.31)
    assert [frame.number for frame in sent(link) if frame.kind is Kind.REQUEST] == [0, 1, 0, 1]
    link.receive(nak(0), 1.35)
    assert sent(link) == []


@pytest.mark.parametrize("number", [0, 4, 5, 20, 31])
def test_a_nak_for_a_number_that_does_not_wait_changes_nothing(number: int) -> None:
    link = open_link()
    for _ in range(3):
        measure(link, 0.0)
    link.receive(accept(2), 0.01)
    link.take_output()
    link.take_events()
    link.receive(nak(number), 0.02)
    assert sent(link) == []
    assert link.take_events() == []


def test_naks_without_end_lose_the_link() -> None:
    link = open_link()
    measure(link, 0.0)
    for step in range(100):
        link.receive(nak(0), step * 1.0)
    assert lost(link).reason is LossReason.NO_PROGRESS


def test_a_lost_result_is_asked_for_when_a_later_one_comes() -> None:
    link = open_link()
    measure(link, 0.0)
    measure(link, 0.0)
    link.receive(accept(1) + accept(2), 0.01)
    link.take_output()
    link.receive(result(1), 0.02)
    assert [frame.number for frame in sent(link)] == [0]
    # Within the timeout once.
    link.keepalive(0.03)
    link.take_output()
    link.receive(alive(1, 2, done=1), 0.04)
    assert sent(link) == []
    link.receive(result(0), 0.05)
    completed = [event.ticket for event in link.take_events() if isinstance(event, Completed)]
    assert completed == [2, 1]


def test_a_lost_result_is_asked_for_when_keepalive_says_it_is_done() -> None:
    link = open_link()
    measure(link, 0.0)
    measure(link, 0.0)
    link.receive(accept(1) + accept(2), 0.01)
    link.keepalive(0.02)
    link.take_output()
    link.receive(alive(1, 2, done=0, running=1), 0.03)
    assert [frame.number for frame in sent(link)] == [0]


def test_results_that_never_come_lose_the_link() -> None:
    link = open_link()
    measure(link, 0.0)
    link.receive(accept(1), 0.01)
    for step in range(1, 60):
        link.keepalive(step * 1.0) if link.state is LinkState.OPEN else None
        for frame in sent(link):
            if frame.kind is Kind.CONTROL:
                link.receive(alive(frame.number, 1, done=0), step * 1.0)
    event = lost(link)
    assert event.reason is LossReason.NO_PROGRESS
    assert "without its result" in event.words


def test_expected_in_the_answer_to_keepalive_is_believed_over_acceptance() -> None:
    """A late copy of an ACCEPT may have lied."""
    link = open_link()
    ticket = measure(link, 0.0)
    link.receive(accept(1), 0.01)
    link.keepalive(0.02)
    link.take_output()
    assert link.take_events() == [Accepted(ticket)]
    link.receive(alive(1, 0), 0.03)
    assert [frame.number for frame in sent(link)] == [0]
    link.receive(accept(1), 0.04)
    # It was told once.
    assert [type(event) for event in link.take_events()] == [KeepaliveAnswered]
