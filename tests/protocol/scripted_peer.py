"""A small device written from `SPEC.md` alone, a bad line, and a judge, for tests of the host's end.

The peer knows no part: every request takes the time that `takes_s` says and succeeds. The judge decodes the
bytes by itself, with `cobs` and `zlib` and no code of ours.
"""

import heapq
import random
import zlib
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass, field

from cobs import cobs

from protocol.fields import decode, encode
from protocol.framing import Frame, FrameReader, encode_frame
from protocol.messages import (
    AbortReply,
    Hello,
    HelloReply,
    KeepaliveReply,
    Measured,
    ProgramResult,
    Read,
    ReadResult,
)
from protocol.wire import NONE_U8, NONE_U32, Kind, Opcode, Status

SESSION = 0x0501
FAULTS = b"\0\0"


def raw_frame(kind: Kind, number: int, session: int, content: bytes) -> bytes:
    """Return one frame for the wire."""
    return encode_frame(Frame(kind, number, session, content))


def answer(opcode: int, status: int = 0, detail: bytes = b"", faults: int = 0) -> bytes:
    """Return the content of a RESULT or REPLY."""
    return bytes((opcode, status)) + faults.to_bytes(2, "little") + detail


@dataclass
class Limits:
    """What the peer says of itself in its answer to HELLO."""

    max_payload: int = 64
    window: int = 4
    rx_bytes: int = 300
    watchdog_ms: int = 1000
    major: int = 1
    status: int = 0
    session: int = SESSION
    fields: bytes = b""

    def reply(self, nonce: int) -> bytes:
        sizes = (self.max_payload, self.window, self.rx_bytes, self.watchdog_ms)
        detail = encode(HelloReply(nonce, self.major, 0, 1, *sizes, self.fields))
        return raw_frame(Kind.REPLY, 0, self.session, answer(Opcode.HELLO, self.status, detail))


@dataclass
class _Request:
    number: int
    content: bytes


class Peer:
    """The device's side: sequence numbers, acceptance, results from memory, NAKs, control frames."""

    def __init__(self, limits: Limits, takes_s: Callable[[int], float] = lambda opcode: 0.0) -> None:
        self.limits = limits
        self.takes_s = takes_s
        self.nonce: int | None = None
        self.expected = 0
        self.accepted: deque[_Request] = deque()
        self.running: _Request | None = None
        self.ends_s = 0.0
        self.results: dict[int, bytes] = {}
        self.done = NONE_U8
        self.had = 0
        self.nak_out = False
        #: How often each operation number was carried out.
        self.carried_out: Counter[int] = Counter()
        self.rewinds_asked = 0
        self.heard_s = 0.0
        self.longest_silence_s = 0.0
        self.memory = bytes(random.Random(3).randrange(256) for _ in range(4096))
        self.reader = FrameReader()
        self.out: list[bytes] = []

    def deadline_s(self) -> float | None:
        return self.ends_s if self.running else None

    def take(self) -> list[bytes]:
        frames, self.out = self.out, []
        return frames

    def tick(self, now_s: float) -> None:
        while self.running and now_s >= self.ends_s:
            self._finish(self.running, Status.OK)
            self._begin(self.ends_s)

    def receive(self, data: bytes, now_s: float) -> None:
        for frame in self.reader.feed(data):
            if frame is None:
                self._nak(2)
            elif frame.kind is Kind.CONTROL:
                self._control(frame, now_s)
            elif (
                frame.kind is Kind.REQUEST and frame.session == self.limits.session and self.nonce is not None
            ):
                self._heard(now_s)
                self._request(frame, now_s)

    def _present(self, frame: Frame) -> bool:
        return frame.session == self.limits.session and self.nonce is not None

    def _heard(self, now_s: float) -> None:
        if self.running:
            self.longest_silence_s = max(self.longest_silence_s, now_s - self.heard_s)
        self.heard_s = now_s

    def _send(self, kind: Kind, number: int, content: bytes) -> None:
        self.out.append(raw_frame(kind, number, self.limits.session, content))

    def _nak(self, reason: int) -> None:
        if self.nonce is not None and not self.nak_out:
            self.nak_out = True
            self.rewinds_asked += 1
            self._send(Kind.NAK, self.expected, FAULTS + bytes((reason,)))

    def _request(self, frame: Frame, now_s: float) -> None:
        ahead = (frame.number - self.expected) % 32
        if ahead == 0:
            self.nak_out = False
            self.expected = (self.expected + 1) % 32
            self.had += 1
            self.results.pop(frame.number, None)
            self.accepted.append(_Request(frame.number, frame.content))
            assert len(self.accepted) + (self.running is not None) <= self.limits.window, (
                "the host overran us"
            )
            self._send(Kind.ACCEPT, self.expected, FAULTS)
            if self.running is None:
                self._begin(now_s)
        elif ahead < self.limits.window:
            self._nak(1)
        elif ahead >= 32 - self.limits.window and 32 - ahead <= self.had:
            if frame.number in self.results:
                self._send(Kind.RESULT, frame.number, self.results[frame.number])
            else:
                self._send(Kind.ACCEPT, self.expected, FAULTS)

    def _begin(self, now_s: float) -> None:
        self.running = self.accepted.popleft() if self.accepted else None
        if self.running:
            self.ends_s = now_s + self.takes_s(self.running.content[0])
            if self.takes_s(self.running.content[0]) == 0:
                self._finish(self.running, Status.OK)
                self._begin(now_s)

    def _finish(self, request: _Request, status: Status) -> None:
        opcode, detail = request.content[0], b""
        match opcode:
            case Opcode.PROGRAM:
                self.carried_out[int.from_bytes(request.content[1:3], "little")] += status is Status.OK
                detail = encode(ProgramResult(1, 1, 1, NONE_U32, 0, 0))
            case Opcode.READ if status is Status.OK:
                detail = self._stream(request)
            case Opcode.MEASURE if status is Status.OK:
                detail = encode(Measured(5000, 0, 0xFFFF))
        self.results[request.number] = answer(opcode, status, detail)
        self.done = request.number
        self._send(Kind.RESULT, request.number, self.results[request.number])

    def _stream(self, request: _Request) -> bytes:
        read = decode(Read, request.content[1:])
        data = self.memory[read.address : read.address + read.count]
        for block, at in enumerate(range(0, len(data), read.block_bytes)):
            content = block.to_bytes(2, "little") + data[at : at + read.block_bytes]
            self._send(Kind.DATA, request.number, content)
        return encode(ReadResult(read.count, zlib.crc32(data)))

    def _control(self, frame: Frame, now_s: float) -> None:
        opcode = frame.content[0]
        if opcode == Opcode.HELLO:
            self.nonce = decode(Hello, frame.content[1:]).nonce
            self.out.append(self.limits.reply(self.nonce))
            return
        if not self._present(frame):
            return
        self._heard(now_s)
        if opcode == Opcode.KEEPALIVE:
            running = self.running.number if self.running else NONE_U8
            reply = KeepaliveReply(self.expected, running, self.done, 0, 0)
            self._send(Kind.REPLY, frame.number, answer(opcode, 0, encode(reply)))
        elif opcode == Opcode.ABORT:
            stopped = ([self.running] if self.running else []) + list(self.accepted)
            self.accepted.clear()
            self.running = None
            reply = encode(AbortReply(self.expected, len(stopped)))
            self._send(Kind.REPLY, frame.number, answer(opcode, 0, reply))
            for request in stopped:
                self._finish(request, Status.ABORTED)


@dataclass
class Line:
    """One direction: bytes arrive in order, later, and not all of them."""

    rng: random.Random
    latency_s: float = 0.004
    jitter_s: float = 0.0
    loss: float = 0.0
    damage: float = 0.0
    doubling: float = 0.0
    cut: bool = False
    arrivals: list[tuple[float, int, bytes]] = field(default_factory=list)
    last_s: float = 0.0
    count: int = 0

    def carry(self, frame: bytes, now_s: float) -> None:
        copies = 2 if self.rng.random() < self.doubling else 1
        for _ in range(copies):
            if self.rng.random() < self.loss or self.cut:
                continue
            carried = bytearray(frame)
            if self.rng.random() < self.damage:
                carried[self.rng.randrange(len(carried))] ^= 1 << self.rng.randrange(8)
            elif self.rng.random() < self.damage:
                at = self.rng.randrange(len(carried))
                del carried[at : at + self.rng.randrange(1, 9)]
            self.last_s = max(self.last_s, now_s + self.latency_s + self.rng.random() * self.jitter_s)
            self.count += 1
            heapq.heappush(self.arrivals, (self.last_s, self.count, bytes(carried)))

    def next_s(self) -> float | None:
        return self.arrivals[0][0] if self.arrivals else None

    def arrived(self, now_s: float) -> list[bytes]:
        found = []
        while self.arrivals and self.arrivals[0][0] <= now_s:
            found.append(heapq.heappop(self.arrivals)[2])
        return found


def split_frames(data: bytes) -> list[bytes]:
    """Return what stands between delimiters, each with its delimiter; empty blocks too."""
    return [block + b"\0" for block in data.split(b"\0")[:-1]]


class Judge:
    """Watches the host's bytes and what reaches it: window and `rx_bytes` (H5), one control frame (H5)."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self.next = 0
        #: Number and frame of each request without a result, oldest first.
        self.unfinished: dict[int, bytes] = {}
        self.control: bytes | None = None
        self.most_outstanding = 0
        self.most_bytes = 0
        self._half = b""

    def host_sends(self, data: bytes) -> None:
        assert not data or data.endswith(b"\0"), "half a frame"
        for wire in split_frames(data):
            body = _body(wire)
            if body is None:
                continue
            kind, number = body[0] >> 5, body[0] & 31
            if kind == 0 and body[3] != 1:
                waiting = self.control and _body(self.control)
                assert not waiting or wire == self.control or body[3] == 3, "a second control frame"
                self.control = wire
            elif kind == 1:
                self._request(number, wire)

    def host_hears(self, data: bytes) -> None:
        # A delimiter may be lost: what follows is then no frame for the host either.
        *blocks, self._half = (self._half + data).split(b"\0")
        for block in blocks:
            body = _body(block + b"\0")
            if body is None or int.from_bytes(body[1:3], "little") != self.limits.session:
                continue
            kind, number = body[0] >> 5, body[0] & 31
            if kind == 4:
                self.unfinished.pop(number, None)
            waiting = self.control and _body(self.control)
            if kind == 7 and waiting and waiting[0] & 31 == number:
                self.control = None
                if body[3] == 3:
                    self._aborted(body[7])

    def _aborted(self, expected: int) -> None:
        while self.next != expected:
            self.next = (self.next - 1) % 32
            self.unfinished.pop(self.next, None)

    def _request(self, number: int, wire: bytes) -> None:
        if number in self.unfinished:
            assert self.unfinished[number] == wire, "sent again, but another frame"
            return
        assert number == self.next, f"request {number} out of turn, {self.next} is next"
        self.next = (number + 1) % 32
        self.unfinished[number] = wire
        oldest = next(iter(self.unfinished))
        span = (number - oldest) % 32 + 1
        size = sum(map(len, self.unfinished.values()))
        assert span <= self.limits.window, f"{span} outstanding, allowed are {self.limits.window}"
        assert size <= self.limits.rx_bytes or len(self.unfinished) == 1, f"{size} bytes outstanding"
        self.most_outstanding = max(self.most_outstanding, span)
        self.most_bytes = max(self.most_bytes, size)


def _body(wire: bytes) -> bytes | None:
    try:
        body: bytes = cobs.decode(wire[:-1])
    except cobs.DecodeError:
        return None
    sound = len(body) >= 7 and zlib.crc32(body[:-4]) == int.from_bytes(body[-4:], "little")
    return body[:-4] if sound else None
