"""Short words for tests of the host link: an open link, and the frames of a device."""

from typing import Any

from scripted_peer import Limits, answer, raw_frame

from protocol.fields import encode
from protocol.framing import Frame, FrameReader
from protocol.host.events import (
    Lost,
)
from protocol.host.link import HostLink
from protocol.host.states import LinkState
from protocol.messages import (
    AbortReply,
    KeepaliveReply,
    Measured,
    Nothing,
)
from protocol.wire import NONE_U8, Kind, Opcode

NONCE = 0x01020304
S = 0x0501
MEASURED = encode(Measured(5000, 0, 0xFFFF))


def sent(link: HostLink) -> list[Frame]:
    frames = FrameReader().feed(link.take_output())
    assert None not in frames
    return [frame for frame in frames if frame is not None]


def open_link(**limits: Any) -> HostLink:
    link = HostLink(nonce=NONCE)
    link.start(0.0)
    link.receive(Limits(**limits).reply(NONCE), 0.0)
    assert link.state is LinkState.OPEN
    link.take_output()
    link.take_events()
    return link


def measure(link: HostLink, now_s: float) -> int:
    return link.submit(Opcode.MEASURE, Nothing(), now_s)


def accept(expected: int, faults: int = 0) -> bytes:
    return raw_frame(Kind.ACCEPT, expected, S, faults.to_bytes(2, "little"))


def result(number: int, opcode: int = Opcode.MEASURE, status: int = 0, detail: bytes = MEASURED) -> bytes:
    return raw_frame(Kind.RESULT, number, S, answer(opcode, status, detail))


def nak(number: int) -> bytes:
    return raw_frame(Kind.NAK, number, S, b"\0\0\1")


def alive(tag: int, expected: int, done: int = NONE_U8, running: int = NONE_U8) -> bytes:
    reply = KeepaliveReply(expected, running, done, 0, 0)
    return raw_frame(Kind.REPLY, tag, S, answer(Opcode.KEEPALIVE, 0, encode(reply)))


def lost(link: HostLink) -> Lost:
    event = link.take_events()[-1]
    assert isinstance(event, Lost)
    assert link.state is LinkState.LOST
    return event


def stopped(tag: int, expected: int, dropped: int) -> bytes:
    reply = encode(AbortReply(expected, dropped))
    return raw_frame(Kind.REPLY, tag, S, answer(Opcode.ABORT, 0, reply))
