"""The host link's states, and HELLO."""

from typing import Any

import pytest
from host_steps import NONCE, S, accept, lost, measure, open_link
from scripted_peer import Limits, answer, raw_frame

from protocol.host.events import (
    LossReason,
    Lost,
    Opened,
    VersionRefused,
)
from protocol.host.link import HostLink
from protocol.host.states import TRANSITIONS, LinkState, LinkStateError, Move, moved
from protocol.wire import Kind, Opcode, Status


@pytest.mark.parametrize("state", LinkState)
@pytest.mark.parametrize("move", Move)
def test_moves_are_those_of_the_table(state: LinkState, move: Move) -> None:
    if move in TRANSITIONS[state]:
        assert moved(state, move) is TRANSITIONS[state][move]
    else:
        with pytest.raises(LinkStateError, match=f"while the link is {state.value}"):
            moved(state, move)


def test_a_link_is_started_once() -> None:
    link = HostLink(nonce=1)
    assert link.deadline_s() is None
    link.start(0.0)
    with pytest.raises(LinkStateError):
        link.start(0.0)


@pytest.mark.parametrize("state", ["closed", "greeting", "aborting", "lost"])
def test_nothing_is_asked_of_a_link_that_is_not_open(state: str) -> None:
    link = HostLink(nonce=NONCE) if state in ("closed", "greeting") else open_link()
    if state == "greeting":
        link.start(0.0)
    elif state == "aborting":
        link.abort(0.0)
    elif state == "lost":
        link.cut("unplugged")
    assert link.state.value == state
    for ask in (link.keepalive, link.abort, lambda now_s: measure(link, now_s)):
        with pytest.raises(LinkStateError, match=state):
            ask(0.0)


def test_a_lost_link_hears_and_does_nothing() -> None:
    link = open_link()
    measure(link, 0.0)
    link.cut("the cable came off")
    assert lost(link) == Lost(LossReason.PORT, "the cable came off", (1,), ())
    link.cut("again")
    link.receive(accept(1), 1.0)
    link.tick(100.0)
    assert link.take_events() == []
    assert link.deadline_s() is None


def test_hello_every_half_second_for_five_seconds() -> None:
    link = HostLink(nonce=NONCE)
    link.start(10.0)
    first = link.take_output()
    assert first[0] == 0
    times = []
    while link.state is LinkState.GREETING:
        now_s = link.deadline_s()
        assert now_s is not None
        link.tick(now_s)
        if again := link.take_output():
            assert again == first[1:]
            times.append(now_s)
    assert times == pytest.approx([10.5, 11, 11.5, 12, 12.5, 13, 13.5, 14, 14.5])
    assert lost(link).reason is LossReason.NO_DEVICE
    assert now_s == 15.0


def test_opened_tells_who_it_is() -> None:
    link = HostLink(nonce=NONCE)
    link.start(0.0)
    link.receive(Limits(fields=b"\x03\x02T1\x7f\x01?").reply(NONCE), 0.3)
    event = link.take_events()[0]
    assert isinstance(event, Opened)
    assert (event.session, event.hello.window, event.identity.serial) == (S, 4, "T1")
    assert link.hello == event.hello
    assert link.identity == event.identity


@pytest.mark.parametrize("status", [0, Status.UNKNOWN_VERSION])
def test_another_major_is_refused(status: int) -> None:
    link = HostLink(nonce=NONCE)
    link.start(0.0)
    link.receive(Limits(major=2, status=status).reply(NONCE), 0.1)
    assert link.take_events()[0] == VersionRefused(2, 0)
    assert link.state is LinkState.LOST


@pytest.mark.parametrize(
    "limits",
    [
        {"max_payload": 63},
        {"max_payload": 1025, "rx_bytes": 2000},
        {"window": 0},
        {"window": 17},
        {"rx_bytes": 95},
        {"watchdog_ms": 199},
        {"watchdog_ms": 10_001},
        {"session": 0},
        {"status": 0x55},
        {"status": Status.MALFORMED},
        {"fields": b"\x01\x05ab"},
    ],
)
def test_a_greeting_that_cannot_be_is_not_believed(limits: dict[str, Any]) -> None:
    link = HostLink(nonce=NONCE)
    link.start(0.0)
    link.receive(Limits(**limits).reply(NONCE), 0.1)
    assert lost(link).reason is LossReason.VIOLATION


@pytest.mark.parametrize(
    "frame",
    [
        Limits().reply(NONCE + 1),
        raw_frame(Kind.REPLY, 1, S, answer(Opcode.HELLO, 0, NONCE.to_bytes(4, "little") + bytes(13))),
        raw_frame(Kind.REPLY, 0, S, answer(Opcode.KEEPALIVE, 0, NONCE.to_bytes(4, "little") + bytes(13))),
        raw_frame(Kind.REPLY, 0, S, b""),
        raw_frame(Kind.RESULT, 0, S, answer(Opcode.HELLO, 0, NONCE.to_bytes(4, "little") + bytes(13))),
        accept(1),
    ],
    ids=["other nonce", "other tag", "other opcode", "empty", "other kind", "accept"],
)
def test_what_is_not_our_answer_to_hello_is_dropped(frame: bytes) -> None:
    link = HostLink(nonce=NONCE)
    link.start(0.0)
    link.receive(frame, 0.1)
    assert link.state is LinkState.GREETING
    assert link.take_events() == []
    assert link.counters.stale == 1


def test_boot_chatter_before_the_start_is_ignored() -> None:
    link = HostLink(nonce=NONCE)
    link.receive(b"boot loader 1.0\r\n\0", 0.0)
    assert link.counters.bytes_in == 0
    link.start(1.0)
    link.receive(b"half a line", 1.0)
    link.receive(b"\0" + Limits().reply(NONCE), 1.1)
    assert link.state is LinkState.OPEN
    assert link.counters.damaged == 1
