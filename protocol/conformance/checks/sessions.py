"""HELLO, sessions and versions (D5 to D9, D31, D32)."""

import struct
from collections.abc import Callable

from protocol.conformance import frames
from protocol.conformance.check import Failed, Level, about, check
from protocol.conformance.desk import Desk
from protocol.conformance.frames import Answer
from protocol.conformance.identity import read_identity
from protocol.conformance.talk import heard_in_words
from protocol.wire import MAJOR, Kind, Opcode, Status


@check("D5", "D32", level=Level.WIRE)
def hello_is_answered(desk: Desk) -> None:
    """The answer to HELLO has the session in its header, and limits and records as section 5 has them."""
    if not desk.session:
        raise Failed("a session number other than 0", "session 0", requirement="D5")
    if desk.told.problems:
        raise Failed("limits and records within section 5", "; ".join(desk.told.problems), requirement="D32")


@check("D5", level=Level.WIRE)
def hello_repeated(desk: Desk) -> None:
    """HELLO with the nonce of the session is answered with the same and changes nothing."""
    desk.ok(Opcode.MEASURE)
    first = desk.link.record
    session, number, nonce = desk.session, desk.number, desk.nonce
    answers = []
    for _ in range(2):
        tag = desk.hello(nonce)
        answer = desk.reply(tag, Opcode.HELLO, within_s=desk.stop_s)
        last = next(each for each in reversed(first) if not each.sent)
        seen = frames.read_block(last.data[:-1], last.at_s)
        if seen is None or seen.session != session:
            raise Failed(
                f"session {session} again", f"session {seen.session if seen else '?'}",
                "The first answer was lost: keep the nonce, and start nothing when it comes again.",
            )  # fmt: skip
        answers.append(answer)
    if answers[0].detail != answers[1].detail or read_identity(answers[0].detail) != desk.told:
        raise Failed("the same detail each time", frames.hex_words(answers[1].detail))
    standing = desk.standing()
    if standing.expected != number:
        raise Failed(
            f"{number} expected still", str(standing.expected), "Nothing changes, sequence included."
        )
    desk.ok(Opcode.MEASURE)


@check("D5", "D8", level=Level.WIRE)
def hello_anew(desk: Desk) -> None:
    """HELLO with another nonce starts a session under another number, which counts from 0."""
    desk.ok(Opcode.MEASURE)
    numbers = [desk.session]
    for _ in range(4):
        old = desk.session
        desk.greet()
        if desk.session in (0, old):
            raise Failed(
                f"a session other than 0 and {old}", str(desk.session),
                "Count sessions up; skip 0.", requirement="D5",
            )  # fmt: skip
        if (expected := desk.standing().expected) != 0:
            raise Failed("0 expected in a new session", str(expected), requirement="D5")
        numbers.append(desk.session)
    desk.link.send(desk.request_frame(Opcode.MEASURE, number=0, session=numbers[-2]))
    desk.expect_silence("for a request of the session before", requirement="D8")


@check("D7", level=Level.WIRE)
def another_major(desk: Desk) -> None:
    """HELLO of another major version is refused with session 0, and the present session goes on."""
    desk.ok(Opcode.MEASURE)
    nonce = desk.fresh_number()
    tag = desk.hello(nonce, major=MAJOR + 7)
    seen = desk.link.take(
        lambda each: each.kind is Kind.REPLY and each.number == tag, desk.link.now_s() + desk.stop_s
    )
    if seen is None:
        raise Failed("a REPLY with UNKNOWN_VERSION", desk.heard_words())
    answer = desk.read(seen, Opcode.HELLO)
    desk.expect_status(answer, Status.UNKNOWN_VERSION)
    told = read_identity(answer.detail)
    if seen.session != 0:
        raise Failed("session 0 in the header", f"session {seen.session}")
    if told is None or told.nonce != nonce or told.major != MAJOR:
        raise Failed("the nonce of this HELLO and the device's own version", frames.hex_words(answer.detail))
    if (expected := desk.standing().expected) != desk.number:
        raise Failed(f"{desk.number} expected still in the present session", str(expected))


@check("D31", level=Level.WIRE)
def later_minor(desk: Desk) -> None:
    """HELLO of a later minor version, with bytes after its last field, starts a session."""
    nonce = desk.fresh_number()
    tag = desk.hello(nonce, minor=9, more=b"\x01\x02\x03")
    seen = desk.link.take(
        lambda each: each.kind is Kind.REPLY and each.number == tag, desk.link.now_s() + desk.stop_s
    )
    if seen is None:
        raise Failed("a REPLY to HELLO 1.9 with three more bytes", desk.heard_words())
    answer = desk.read(seen, Opcode.HELLO)
    desk.expect_status(answer, Status.OK, look="Minor versions only add: look at the major alone.")


@check("D16", "D1", level=Level.WIRE)
def hello_cut_short(desk: Desk) -> None:
    """A HELLO without all its fields is damaged: no answer, no new session."""
    content = bytes((Opcode.HELLO,)) + struct.pack("<IB", desk.fresh_number(), MAJOR)
    desk.link.send(frames.frame(Kind.CONTROL, 9, 0, content))
    heard = desk.link.listen(desk.quiet_s)
    if any(each.kind is not Kind.NAK for each in heard):
        raise Failed("nothing but a NAK", heard_in_words(heard))
    desk.standing()


@check("D8", level=Level.WIRE)
def other_sessions_dropped(desk: Desk) -> None:
    """CONTROL and REQUEST of another session are dropped without a word."""
    for session in (desk.session % 0xFFFF + 1, desk.session ^ 0x100 or 1, 0):
        desk.control(Opcode.KEEPALIVE, session=session)
        desk.expect_silence(f"for KEEPALIVE of session {session}", look="Compare both bytes of the session.")
        desk.link.send(desk.request_frame(Opcode.MEASURE, number=desk.number, session=session))
        desk.expect_silence(f"for a request of session {session}", look="Compare both bytes of the session.")
    desk.ok(Opcode.MEASURE)


@check("D31", "D14", level=Level.WIRE)
def unknown_opcodes(desk: Desk) -> None:
    """Opcodes that nobody knows, or in the wrong kind of frame, are answered with UNKNOWN_OPCODE."""
    look = "Answer with UNKNOWN_OPCODE and the opcode as it came; a later version may add operations."
    for opcode in (0x7E, 0xFF, 0x00, Opcode.KEEPALIVE, Opcode.ABORT):
        _expect_unknown(desk.ask, desk, opcode, look)
    for opcode in (0x7E, 0xFF, Opcode.MEASURE, Opcode.PROGRAM):
        _expect_unknown(desk.ask_control, desk, opcode, look)


def _expect_unknown(ask: Callable[[int, bytes], Answer], desk: Desk, opcode: int, look: str) -> None:
    with about("D31", look):
        answer = ask(opcode, b"\x01\x02")
    desk.expect_status(answer, Status.UNKNOWN_OPCODE, requirement="D31", look=look)


@check("D31", level=Level.WIRE)
def later_fields(desk: Desk) -> None:
    """Bytes after the last field that a device knows are ignored."""
    for opcode, arguments in ((Opcode.MEASURE, b""), (Opcode.STATS, b""), (Opcode.CLEAR_FAULT, b"\0\0")):
        answer = desk.ask(opcode, arguments + b"\x0b\xad")
        desk.expect_status(answer, Status.OK, look="A later minor version may have more fields.")
    answer = desk.ask_control(Opcode.KEEPALIVE, b"\x0b\xad")
    desk.expect_status(answer, Status.OK)


@check("D14", level=Level.WIRE)
def malformed_requests(desk: Desk) -> None:
    """A request cut short is accepted like any other and completes with MALFORMED."""
    for opcode, arguments in (
        (Opcode.CLEAR_FAULT, b"\0"),
        (Opcode.SETUP, b"\0\0\0"),
        (Opcode.READ, b"\0" * 12),
        (Opcode.PROGRAM, b"\0" * 6),
        (Opcode.SUPPLY, b""),
    ):
        number = desk.request(opcode, arguments)
        desk.accepted(number)
        desk.expect_status(desk.result(number, opcode), Status.MALFORMED, look="Its fields are cut short.")
    desk.ok(Opcode.MEASURE)
