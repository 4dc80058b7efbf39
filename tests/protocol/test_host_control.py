"""KEEPALIVE and ABORT of the host link."""

from itertools import pairwise

import pytest
from host_steps import S, accept, alive, lost, measure, nak, open_link, result, sent, stopped

from protocol.framing import Frame
from protocol.host.events import (
    AbortAnswered,
    Accepted,
    Completed,
    LossReason,
)
from protocol.host.link import HostLink
from protocol.host.states import LinkState
from protocol.messages import (
    AbortReply,
)
from protocol.wire import Fault, Kind, Opcode, Status


def feeds(link: HostLink, until_s: float) -> list[float]:
    """Let time pass, answer each KEEPALIVE, and return when they were sent."""
    times = []
    while (now_s := link.deadline_s()) is not None and now_s < until_s:
        link.tick(now_s)
        for frame in sent(link):
            if frame.content == bytes((Opcode.KEEPALIVE,)):
                times.append(now_s)
                link.receive(alive(frame.number, 0), now_s)
    return times


@pytest.mark.parametrize("watchdog_ms", [200, 1000, 10_000])
def test_keepalive_at_least_four_times_in_a_watchdog_while_energised(watchdog_ms: int) -> None:
    link = open_link(watchdog_ms=watchdog_ms)
    assert link.deadline_s() is None
    link.set_energised(True)
    times = feeds(link, 20 * watchdog_ms / 1000)
    gaps = [after - before for before, after in pairwise([0.0, *times])]
    assert len(times) > 50
    assert max(gaps) <= watchdog_ms / 1000 / 4
    link.set_energised(False)
    assert link.deadline_s() is None


def test_keepalive_while_a_request_is_unfinished_and_not_after() -> None:
    link = open_link()
    measure(link, 0.0)
    link.receive(accept(1), 0.01)
    link.take_output()
    link.tick(0.2)
    assert sent(link) == [Frame(Kind.CONTROL, 1, S, bytes((Opcode.KEEPALIVE,)))]
    link.receive(alive(1, 1, running=0), 0.21)
    link.receive(result(0), 0.3)
    assert link.deadline_s() is None


def test_an_unanswered_keepalive_goes_on_feeding_with_its_tag_and_ends_the_link() -> None:
    link = open_link()
    link.set_energised(True)
    times: list[float] = []
    while (now_s := link.deadline_s()) is not None:
        link.tick(now_s)
        for frame in sent(link):
            assert frame == Frame(Kind.CONTROL, 1, S, bytes((Opcode.KEEPALIVE,)))
            times.append(now_s)
    assert max(after - before for before, after in pairwise(times)) <= 0.2 + 1e-9
    # 0.25, 0.5, 1, 2, 2, 2 s after the first: the 6th expiry with nothing heard.
    assert now_s is None
    assert lost(link).reason is LossReason.SILENT
    assert times[-1] == pytest.approx(0.2 + 7.75, abs=0.25)


def test_a_device_that_never_answers_keepalive_is_lost_though_it_talks() -> None:
    link = open_link()
    link.keepalive(0.0)
    for step in range(1, 400):
        now_s = step / 10
        link.receive(accept(0), now_s)
        link.tick(now_s)
    event = lost(link)
    assert event.reason is LossReason.NO_PROGRESS
    assert "KEEPALIVE" in event.words


def test_one_keepalive_at_a_time() -> None:
    link = open_link()
    link.keepalive(0.0)
    link.keepalive(0.0)
    assert len(sent(link)) == 1
    link.receive(alive(1, 0), 0.01)
    link.keepalive(0.02)
    assert [frame.number for frame in sent(link)] == [2]
    # The first answer once more, made by the line: it answers nothing.
    stale = link.counters.stale
    link.receive(alive(1, 0), 0.03)
    assert link.counters.stale == stale + 1


def test_abort_ends_everything_in_order() -> None:
    link = open_link(window=3)
    tickets = [measure(link, 0.0) for _ in range(5)]
    link.receive(accept(1), 0.01)
    link.keepalive(0.015)
    link.take_output()
    link.take_events()
    link.abort(0.02)
    (frame,) = sent(link)
    assert frame == Frame(Kind.CONTROL, 2, S, bytes((Opcode.ABORT,)))
    # The answer to KEEPALIVE was given up, a NAK is not obeyed, and nothing is sent again.
    link.receive(alive(1, 1) + nak(1), 0.03)
    link.tick(0.04)
    assert sent(link) == []
    # Request 1 had been accepted, 2 had not.
    link.receive(stopped(2, 2, 2), 0.05)
    events = link.take_events()
    assert events == [
        Accepted(tickets[1]),
        AbortAnswered(AbortReply(2, 2)),
        *[Completed(ticket, Opcode.MEASURE, Status.ABORTED, Fault.NONE, None) for ticket in tickets[2:]],
    ]
    assert link.state is LinkState.OPEN
    link.receive(result(0, status=Status.ABORTED, detail=b"") + result(1, status=Status.ABORTED), 0.06)
    assert [event.ticket for event in link.take_events() if isinstance(event, Completed)] == tickets[:2]
    measure(link, 0.07)
    assert [frame.number for frame in sent(link)] == [2]


def test_abort_is_repeated_with_its_tag_and_its_silence_ends_the_link() -> None:
    link = open_link()
    link.set_energised(True)
    measure(link, 0.0)
    link.abort(0.0)
    link.take_output()
    times = []
    while (now_s := link.deadline_s()) is not None:
        link.tick(now_s)
        for frame in sent(link):
            assert frame == Frame(Kind.CONTROL, 1, S, bytes((Opcode.ABORT,)))
            times.append(now_s)
    # Its own timeouts only: supplies are going off, there is nothing to feed.
    assert times == pytest.approx([0.25, 0.75, 1.75, 3.75, 5.75])
    event = lost(link)
    assert event.reason is LossReason.SILENT
    assert event.unfinished == (1,)


def test_a_control_frame_sent_twice_is_not_measured() -> None:
    """Karn's rule."""
    link = open_link()
    link.keepalive(0.0)
    link.tick(0.25)
    link.receive(alive(1, 0), 0.26)
    assert link.counters.rtt_s is None
    link.keepalive(1.0)
    link.receive(alive(2, 0), 1.02)
    assert link.counters.rtt_s == pytest.approx(0.02)


@pytest.mark.parametrize("expected", [0, 3, 31, 32, 255])
def test_an_answer_to_abort_that_cannot_be_is_not_believed(expected: int) -> None:
    link = open_link()
    measure(link, 0.0)
    measure(link, 0.0)
    link.receive(result(0), 0.01)
    link.abort(0.02)
    link.receive(stopped(1, expected, 0), 0.03)
    assert lost(link).reason is LossReason.VIOLATION


def expiries(link: HostLink, heard_until: int) -> list[float]:
    """Let an ABORT go unanswered; return the times of its expiries.

    After each of the first `heard_until`, something else is heard.
    """
    link.abort(0.0)
    assert len(sent(link)) == 1
    times: list[float] = []
    while (now_s := link.deadline_s()) is not None:
        link.tick(now_s)
        times.append(now_s)
        if len(times) <= heard_until:
            link.receive(nak(0), now_s)
    return times


@pytest.mark.parametrize(
    ("heard_until", "at"),
    [
        # SPEC.md section 9: again after the timeout, doubled up to 2 s; the 6th expiry with nothing heard ...
        (0, [0.25, 0.75, 1.75, 3.75, 5.75, 7.75]),
        (1, [0.25, 0.75, 1.75, 3.75, 5.75, 7.75, 9.75]),
        (3, [0.25, 0.75, 1.75, 3.75, 5.75, 7.75, 9.75, 11.75, 13.75]),
        # ... or the 16th in all.
        (99, [0.25, 0.75, 1.75, *(3.75 + 2 * more for more in range(13))]),
    ],
)
def test_an_unanswered_control_frame_ends_the_link_at_its_very_expiry(
    heard_until: int, at: list[float]
) -> None:
    link = open_link()
    assert expiries(link, heard_until) == pytest.approx(at)
    event = lost(link)
    assert event.reason is (LossReason.NO_PROGRESS if heard_until > 15 else LossReason.SILENT)
    # Each expiry but the last sent it again.
    assert link.counters.retransmitted == len(at) - 1
    assert f"was sent {len(at)} times" in event.words
