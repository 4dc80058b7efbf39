"""Talking with the device: sessions, questions, answers, and what form they must have."""

import random
import struct
from collections.abc import Callable
from dataclasses import dataclass, field

from protocol import fields
from protocol.conformance import frames
from protocol.conformance.check import Failed
from protocol.conformance.frames import Answer, Seen
from protocol.conformance.identity import Identity, read_identity
from protocol.conformance.link import RawLink
from protocol.conformance.setting import ANSWER_S, QUIET_S, Setting
from protocol.messages import OPERATIONS, KeepaliveReply, Nothing, StatsResult
from protocol.wire import MAJOR, MINOR, Kind, Opcode, Status

#: Discharge ends within that time (section 9).
DISCHARGE_S = 0.5
#: What says that a CONTROL is answered, by its opcode.
_ANSWERS: dict[int, str] = {Opcode.HELLO: "D5", Opcode.KEEPALIVE: "D16", Opcode.ABORT: "D17"}


@dataclass
class Talk:
    """A conversation with the device under test; `Failed` where it breaks what a method rests on."""

    link: RawLink
    setting: Setting = field(default_factory=Setting)
    session: int = 0
    number: int = 0
    nonce: int = 0
    #: Length of a pulse of the part that is set up, seconds.
    pulse_s: float = 0.0
    #: The detail of the last answer to HELLO, as it came.
    hello_detail: bytes = b""
    _told: Identity | None = None
    _tag: int = 0
    _background: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.random = random.Random(self.setting.seed)
        self._tag = self.random.randrange(32)
        self.link.sieve = self._swallow

    # Figures

    @property
    def told(self) -> Identity:
        """What the device said of itself last."""
        assert self._told is not None
        return self._told

    @property
    def greeted(self) -> bool:
        """Whether the device has ever answered HELLO."""
        return self._told is not None

    @property
    def answer_s(self) -> float:
        """How long an answer that costs the device no time may take."""
        return ANSWER_S * self.setting.patience

    @property
    def quiet_s(self) -> float:
        """How long silence must last to be called silence."""
        return QUIET_S * self.setting.patience

    @property
    def stop_s(self) -> float:
        """How long ABORT or HELLO may take: the word in hand, the discharge, and the answer."""
        return self.answer_s + (DISCHARGE_S + self.pulse_s) * self.setting.patience

    # Sessions

    def fresh_number(self) -> int:
        """Return a number of 32 bits that no run before has used."""
        return self.random.getrandbits(32) ^ self.setting.salt

    def hello(self, nonce: int, *, major: int = MAJOR, minor: int = MINOR, more: bytes = b"") -> int:
        """Send HELLO and return its tag."""
        return self.control(Opcode.HELLO, struct.pack("<IBB", nonce, major, minor) + more, session=0)

    def greet(self, nonce: int | None = None) -> Seen:
        """Start a session with a new nonce, and return the frame that answers."""
        self.nonce = self.fresh_number() if nonce is None else nonce
        tag = self.hello(self.nonce)
        seen = self.link.take(self._answers(tag, Opcode.HELLO), self.link.now_s() + self.stop_s)
        if seen is None:
            raise Failed(
                "a REPLY to HELLO with its tag", self.heard_words(),
                "Is the speed of the line right, and the port? Does the device see the zero before the frame,"
                " decode COBS and compute the CRC-32 as vectors.json has it?",
                requirement="D5",
            )  # fmt: skip
        answer = self.read(seen, Opcode.HELLO)
        told = read_identity(answer.detail)
        if answer.status != Status.OK or told is None or told.nonce != self.nonce:
            raise Failed(f"OK with the nonce {self.nonce:#010x}", self.answer_words(answer), requirement="D5")
        self._told, self.hello_detail = told, answer.detail
        self.session, self.number = seen.session, 0
        return seen

    def fresh(self) -> None:
        """Begin anew: a zero, HELLO, no faults."""
        self.link.listen(0)
        self.link.damaged.clear()
        self.link.send(b"\0")
        seen = self.greet()
        faults = self.read(seen, Opcode.HELLO).faults
        if faults:
            self.clear_faults(faults)
        self.link.forget()

    def clear_faults(self, faults: int) -> None:
        """Clear latched faults."""
        self.ok(Opcode.CLEAR_FAULT, faults.to_bytes(2, "little"))

    def make_safe(self) -> None:
        """Take the supplies off, by the surest way first; never raises for what the device does not do."""
        if not self.session:
            return
        self._send_control(Opcode.ABORT, b"", self._next_tag(), self.session)
        self.link.take(lambda seen: seen.kind is Kind.REPLY, self.link.now_s() + self.stop_s)
        tag = self._next_tag()
        nonce = struct.pack("<IBB", self.fresh_number(), MAJOR, MINOR)
        self._send_control(Opcode.HELLO, nonce, tag, 0)
        self.link.take(self._answers(tag, Opcode.HELLO), self.link.now_s() + self.stop_s)
        self.session = 0

    # CONTROL and REPLY

    def control(
        self, opcode: int, arguments: bytes = b"", *, tag: int | None = None, session: int | None = None
    ) -> int:
        """Send a CONTROL and return its tag."""
        tag = self._next_tag() if tag is None else tag
        self._send_control(opcode, arguments, tag, self.session if session is None else session)
        return tag

    def reply(self, tag: int, opcode: int, *, within_s: float | None = None) -> Answer:
        """Return what answers the CONTROL with `tag`."""
        until_s = self.link.now_s() + (self.answer_s if within_s is None else within_s)
        seen = self.link.take(self._answers(tag, opcode), until_s)
        if seen is None:
            name = frames.named(Opcode, opcode)
            raise Failed(
                f"a REPLY to {name} with tag {tag}", self.heard_words(),
                "CONTROL is answered at once, past the queue, with the tag and opcode that it came with.",
                requirement=_ANSWERS.get(opcode, "D31"),
            )  # fmt: skip
        return self.read(seen, opcode)

    def ask_control(self, opcode: int, arguments: bytes = b"", *, within_s: float | None = None) -> Answer:
        """Send a CONTROL and return its answer."""
        return self.reply(self.control(opcode, arguments), opcode, within_s=within_s)

    def standing(self) -> KeepaliveReply:
        """Ask by KEEPALIVE where the device stands."""
        answer = self.ask_control(Opcode.KEEPALIVE)
        self.expect_status(answer, Status.OK, requirement="D16")
        return fields.decode(KeepaliveReply, answer.detail)

    # REQUEST and RESULT

    def request_frame(
        self, opcode: int, arguments: bytes = b"", *, number: int | None = None, session: int | None = None
    ) -> bytes:
        """Return a REQUEST as it would be sent; without `number` it is the next one."""
        if number is None:
            number, self.number = self.number, (self.number + 1) % 32
        content = bytes((opcode,)) + arguments
        return frames.frame(Kind.REQUEST, number, self.session if session is None else session, content)

    def request(self, opcode: int, arguments: bytes = b"", *, number: int | None = None) -> int:
        """Send a REQUEST and return its number."""
        sent = self.number if number is None else number
        self.link.send(self.request_frame(opcode, arguments, number=number))
        return sent

    def accepted(self, number: int, *, within_s: float | None = None) -> Seen:
        """Wait for the ACCEPT of request `number` and return it."""
        until_s = self.link.now_s() + (self.answer_s if within_s is None else within_s)
        after = (number + 1) % 32
        seen = self.link.take(lambda each: each.kind is Kind.ACCEPT and each.number == after, until_s)
        if seen is None:
            raise Failed(
                f"ACCEPT {after}", self.heard_words(), "Is the request in sequence?", requirement="D10"
            )
        return seen

    def result(self, number: int, opcode: int, *, within_s: float | None = None) -> Answer:
        """Wait for the RESULT of request `number`; KEEPALIVE goes out meanwhile."""
        seen = self.fed(
            lambda each: each.kind is Kind.RESULT and each.number == number,
            self.answer_s if within_s is None else within_s,
        )
        if seen is None:
            name = frames.named(Opcode, opcode)
            raise Failed(f"RESULT {number} of {name}", self.heard_words(), requirement="D12")
        return self.read(seen, opcode)

    def fed(self, wanted: Callable[[Seen], bool], within_s: float) -> Seen | None:
        """Wait for a frame with the watchdog fed."""
        end_s = self.link.now_s() + within_s
        while True:
            until_s = min(end_s, self.link.now_s() + self.told.watchdog_s / 5)
            seen = self.link.take(wanted, until_s)
            if seen is not None or self.link.now_s() >= end_s:
                return seen
            self.feed()

    def feed(self) -> None:
        """Send a KEEPALIVE whose answer nobody waits for."""
        tag = self._next_tag()
        self._background.add(tag)
        self._send_control(Opcode.KEEPALIVE, b"", tag, self.session)

    def ask(self, opcode: int, arguments: bytes = b"", *, within_s: float | None = None) -> Answer:
        """Send the next request and return its result."""
        number = self.request(opcode, arguments)
        answer = self.result(number, opcode, within_s=within_s)
        self.link.inbox = [each for each in self.link.inbox if each.kind is not Kind.ACCEPT]
        return answer

    def ok(self, opcode: int, arguments: bytes = b"", *, within_s: float | None = None) -> Answer:
        """Send the next request and return its result, which must be OK."""
        answer = self.ask(opcode, arguments, within_s=within_s)
        self.expect_status(answer, Status.OK)
        return answer

    def stats(self) -> StatsResult:
        """Return the device's counters."""
        return fields.decode(StatsResult, self.ok(Opcode.STATS).detail)

    # What an answer must be

    def read(self, seen: Seen, opcode: int) -> Answer:
        """Return what a RESULT or REPLY says. Its form must be right (D33)."""
        answer = frames.read_answer(seen)
        if answer is None:
            raise Failed("opcode, status and faults", frames.hex_words(seen.content), requirement="D33")
        if answer.opcode != opcode:
            raise Failed(f"the opcode 0x{opcode:02X}", self.answer_words(answer), requirement="D33")
        self._check_detail(answer)
        return answer

    def _check_detail(self, answer: Answer) -> None:
        try:
            operation, status = OPERATIONS[Opcode(answer.opcode)], Status(answer.status)
        except ValueError:
            if answer.opcode in Opcode.__members__.values():
                raise Failed("a status of section 8", f"0x{answer.status:02X}", requirement="D33") from None
            return
        layout = None if operation.result is Nothing else fields.layout_of(operation.result)
        wanted = status is Status.OK or status in operation.detail_on
        least = layout.packing.size if layout is not None and wanted else 0
        if len(answer.detail) < least or (answer.detail and not least):
            raise Failed(
                f"{least} bytes of detail with {operation.opcode.name} {status.name}",
                f"{len(answer.detail)} bytes",
                "The appendix says with which statuses the detail comes.",
                requirement="D33",
            )

    def expect_status(self, answer: Answer, *wanted: Status, requirement: str = "", look: str = "") -> None:
        """Raise unless the answer has one of the statuses."""
        if answer.status not in wanted:
            name = frames.named(Opcode, answer.opcode)
            words = " or ".join(each.name for each in wanted)
            raise Failed(f"{name} {words}", self.answer_words(answer), look, requirement=requirement)

    def expect_silence(self, what: str, *, requirement: str = "", look: str = "") -> None:
        """Raise when anything comes."""
        heard = self.link.listen(self.quiet_s)
        if heard:
            raise Failed(f"nothing {what}", heard_in_words(heard), look, requirement=requirement)

    def heard_words(self) -> str:
        """Return what came and was not taken, in words."""
        damaged = f"; {len(self.link.damaged)} damaged blocks" if self.link.damaged else ""
        return (heard_in_words(self.link.inbox) if self.link.inbox else "nothing in time") + damaged

    @staticmethod
    def answer_words(answer: Answer) -> str:
        """Return an answer in words."""
        faults = f", latched {frames.fault_words(answer.faults)}" if answer.faults else ""
        name = f"{frames.named(Opcode, answer.opcode)} {frames.named(Status, answer.status)}"
        detail = f", detail {frames.hex_words(answer.detail)}" if answer.detail else ""
        return name + faults + detail

    # Inside

    def _next_tag(self) -> int:
        self._tag = (self._tag + 1) % 32
        self._background.discard(self._tag)
        return self._tag

    def _send_control(self, opcode: int, arguments: bytes, tag: int, session: int) -> None:
        self.link.send(frames.frame(Kind.CONTROL, tag, session, bytes((opcode,)) + arguments))

    def _answers(self, tag: int, opcode: int) -> Callable[[Seen], bool]:
        return lambda seen: (
            seen.kind is Kind.REPLY and seen.number == tag and seen.content[:1] == bytes((opcode,))
        )

    def _swallow(self, seen: Seen) -> bool:
        """Take the answer to a KEEPALIVE that was only food."""
        is_food = seen.kind is Kind.REPLY and seen.content[:1] == bytes((Opcode.KEEPALIVE,))
        if is_food and seen.number in self._background:
            self._background.discard(seen.number)
            return True
        return False


def heard_in_words(heard: list[Seen]) -> str:
    """Return frames in words, the first few of many."""
    return "; ".join(
        frames.words_of(each.kind, each.number, each.session, each.content) for each in heard[:6]
    ) + (f"; and {len(heard) - 6} more" if len(heard) > 6 else "")
