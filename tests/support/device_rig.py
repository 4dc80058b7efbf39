"""A device under test: a raw host end (frames by hand), a fake chip that counts its pulses, and a part."""

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from protocol import fields
from protocol.descriptor import (
    EraseTimes,
    Geometry,
    Loop,
    LoopKind,
    Page,
    PartDescriptor,
    Polling,
    Semantics,
    SequenceId,
    Signature,
    SignatureMethod,
    Step,
    StepAddress,
    StepData,
    Supplies,
    encode_descriptor,
)
from protocol.framing import Frame, decode_body, encode_frame
from protocol.messages import OPERATIONS, Answer, Hello, Setup, Supply
from protocol.wire import Kind, Level, Mode, Opcode, Status, SupplyAction
from simulator.programmer import Profile, VirtualProgrammer, full
from simulator.rails import Rails
from simulator.socket import Socket

PULSE_NS = 100_000
WORK = 0x1234

# A part: address on pins 1 to 11, data on 12 to 19, ground 24, CE 25, OE/VPP 26, VCC 48


def make_part(**changes: Any) -> PartDescriptor:
    """Return a part of 2048 bytes that is verified after each pulse; `changes` replace its records."""
    part = PartDescriptor(
        geometry=Geometry(8, Semantics.CLEAR_ONLY, 2048, 0xFF, 250),
        address_pins=tuple(range(1, 12)),
        data_pins=tuple(range(12, 20)),
        control_pins=(25, 26),
        vcc_pins=(48,),
        ground_pins=(24,),
        supplies=Supplies(5000, 4200, 6000, 6250, 12750, 12000, 250, 250, 7000, 14000, 13500),
        loop=Loop(LoopKind.VERIFY_EACH_PULSE, PULSE_NS, 25, 0),
        modes={
            Mode.STANDBY: (Level.HIGH, Level.LOW),
            Mode.READ: (Level.LOW, Level.LOW),
            Mode.PROGRAM: (Level.PULSE_LOW, Level.VPP),
            Mode.VERIFY: (Level.LOW, Level.LOW),
            Mode.INHIBIT: (Level.HIGH, Level.VPP),
            Mode.SIGNATURE: (Level.LOW, Level.LOW),
        },
        signature=Signature(SignatureMethod.ID_VOLTAGE, 0, 1),
    )
    return replace(part, **changes)


def make_self_timed(kind: LoopKind, **changes: Any) -> PartDescriptor:
    """Return a part that times its own writes: 64-word pages, 10 ms cycles, commands as flash has them."""
    semantics = Semantics.ERASE_FIRST if kind is LoopKind.COMMAND else Semantics.OVERWRITE
    target = Step(StepAddress.TARGET, StepData.TARGET, 0, 0)
    literal = Step(StepAddress.LITERAL, StepData.LITERAL, 0x555, 0xA0)
    return make_part(
        geometry=Geometry(8, semantics, 2048, 0xFF, 250),
        loop=Loop(kind, 0, 1, 0),
        page=Page(64, 150, 10_000, Polling.DATA),
        modes={Mode.READ: (Level.LOW, Level.LOW), Mode.WRITE: (Level.PULSE_LOW, Level.HIGH)},
        signature=None,
        erase=EraseTimes(512, 25, 100),
        sequences={
            SequenceId.PROGRAM: (literal, target),
            SequenceId.CHIP_ERASE: (replace(literal, data=0x10),),
            SequenceId.SECTOR_ERASE: (replace(literal, address_kind=StepAddress.SECTOR, data=0x30),),
            SequenceId.UNLOCK: (literal,),
        },
        **changes,
    )


@dataclass
class FakeBus:
    """A chip as a plain array behind the bus's interface. A word takes its value after `needs` pulses."""

    size: int = 2048
    blank: int = 0xFF
    needs: dict[int, int] = field(default_factory=dict)
    cells: Any = None
    pulses: Any = None
    seconds: Any = None
    #: What reached the pins: every pulse call that was not taken back is in `pulses`, its rails here.
    seen_rails: list[tuple[Mode, Rails]] = field(default_factory=list)
    loads_ma: tuple[float, float] = (10.0, 5.0)
    program_load_ma: float = 30.0
    writes: list[tuple[float, int, int]] = field(default_factory=list)
    cycle_s: float = 0.004
    busy_s: float = 0.0
    refuses_writes: bool = False

    def __post_init__(self) -> None:
        self.cells = np.full(self.size, self.blank, np.uint16)
        self.pulses = np.zeros(self.size, np.int64)
        self.seconds = np.zeros(self.size)

    def read(self, mode: Mode, addresses: Any, rails: Rails) -> Any:
        self.seen_rails.append((mode, rails))
        if mode is Mode.SIGNATURE:
            return np.where(addresses == 0, 0x20, 0x3D).astype(np.uint16)
        return self.cells[addresses]

    def pulse(self, addresses: Any, words: Any, rails: Rails, width_s: float) -> None:
        self.seen_rails.append((Mode.PROGRAM, rails))
        self.pulses[addresses] += 1
        self.seconds[addresses] += width_s
        needed = np.array([self.needs.get(int(address), 1) for address in addresses])
        enough = self.seconds[addresses] >= (needed - 0.5) * PULSE_NS / 1e9
        self.cells[addresses[enough]] &= words[enough]

    def write(self, address: int, word: int, rails: Rails, now_s: float) -> None:
        self.seen_rails.append((Mode.WRITE, rails))
        self.writes.append((now_s, address, word))
        if not self.refuses_writes:
            self.cells[address] = word
        self.busy_s = now_s + self.cycle_s

    def write_page(self, addresses: Any, words: Any, rails: Rails, now_s: float) -> None:
        for address, word in zip(addresses.tolist(), words.tolist(), strict=True):
            self.write(address, word, rails, now_s)

    def foresee_writes(self, *_what: Any) -> None:
        """Nothing is foreseen: what a cycle does is seen when it is given."""

    def busy(self, now_s: float) -> bool:
        return now_s < self.busy_s

    def busy_until_s(self) -> float:
        return self.busy_s

    def snapshot(self, addresses: Any) -> Any:
        places = addresses.copy()
        return places, self.cells[places].copy(), self.pulses[places].copy(), self.seconds[places].copy()

    def restore(self, snapshot: Any, from_index: int) -> None:
        places, cells, pulses, seconds = snapshot
        lost = places[from_index:]
        self.cells[lost] = cells[from_index:]
        self.pulses[lost] = pulses[from_index:]
        self.seconds[lost] = seconds[from_index:]

    def currents_ma(self, mode: Mode, rails: Rails) -> tuple[float, float]:
        if mode is Mode.PROGRAM:
            return self.loads_ma[0], self.program_load_ma
        return self.loads_ma


@dataclass(frozen=True, slots=True)
class Got:
    """A frame from the device and when it was taken."""

    at_s: float
    kind: Kind
    number: int
    session: int
    content: bytes

    @property
    def answer(self) -> Answer:
        return fields.decode(Answer, self.content)

    @property
    def status(self) -> Status:
        return self.answer.status

    @property
    def detail(self) -> Any:
        answer = self.answer
        return fields.decode(OPERATIONS[Opcode(answer.opcode)].result, answer.detail)


class RawHost:
    """Builds and takes apart frames; numbers and tags are the caller's, or count up."""

    def __init__(self, device: Any) -> None:
        self.device = device
        self.now_s = 0.0
        self.session = 0
        self.next_number = 0
        self.next_tag = 0
        self.nonce = 0x0A0B0C0D
        self.frames: list[Got] = []
        self._partial = b""

    # Bytes

    def send_bytes(self, data: bytes) -> list[Got]:
        """Hand over bytes now and return the frames that come back at once."""
        self.device.receive(data, self.now_s)
        return self.collect()

    def collect(self) -> list[Got]:
        """Take what the device has sent."""
        got: list[Got] = []
        while data := self._taken():
            *blocks, self._partial = (self._partial + data).split(b"\x00")
            for block in filter(None, blocks):
                frame = decode_body(block)
                assert frame is not None, f"damaged frame from the device: {block.hex()}"
                got.append(Got(self.now_s, frame.kind, frame.number, frame.session, frame.content))
        self.frames += got
        return got

    def _taken(self) -> bytes:
        if isinstance(self.device, VirtualProgrammer):
            return self.device.take_output(self.now_s)
        data: bytes = self.device.take_output()
        return data

    # Frames

    def control(self, opcode: int, arguments: bytes = b"", tag: int | None = None) -> list[Got]:
        return self.send_bytes(self.control_frame(opcode, arguments, tag))

    def control_frame(self, opcode: int, arguments: bytes = b"", tag: int | None = None) -> bytes:
        if tag is None:
            tag, self.next_tag = self.next_tag, (self.next_tag + 1) % 32
        session = 0 if opcode == Opcode.HELLO else self.session
        return encode_frame(Frame(Kind.CONTROL, tag, session, bytes((opcode,)) + arguments))

    def hello(self, nonce: int | None = None, major: int = 1) -> list[Got]:
        """Greet; a session that starts at once is taken over."""
        self.nonce = self.nonce + 1 if nonce is None else nonce
        got = self.control(Opcode.HELLO, fields.encode(Hello(self.nonce, major, 0)))
        self.take_over(got)
        return got

    def take_over(self, got: list[Got]) -> None:
        """Take the session of an answer to HELLO."""
        for frame in got:
            if frame.kind is Kind.REPLY and frame.content[0] == Opcode.HELLO and frame.session:
                self.session, self.next_number = frame.session, 0

    def request_frame(self, opcode: int, message: Any = b"", number: int | None = None) -> bytes:
        if number is None:
            number, self.next_number = self.next_number, (self.next_number + 1) % 32
        arguments = message if isinstance(message, bytes) else fields.encode(message)
        return encode_frame(Frame(Kind.REQUEST, number, self.session, bytes((opcode,)) + arguments))

    def request(self, opcode: int, message: Any = b"", number: int | None = None) -> list[Got]:
        return self.send_bytes(self.request_frame(opcode, message, number))


class Rig(RawHost):
    """A raw host at a virtual programmer, and what can be seen of its insides: pins and rails."""

    device: VirtualProgrammer

    def __init__(self, profile: Profile | None = None, bus: FakeBus | None = None, **options: Any) -> None:
        self.profile = profile or full("rig")
        self.bus = bus or FakeBus()
        self.socket = Socket(self.profile.identity.socket_pins)
        super().__init__(
            VirtualProgrammer(self.profile, self.socket, make_bus=lambda _part: self.bus, **options)
        )

    def advance(self, duration_s: float, *, feed: bool = False) -> list[Got]:
        """Let time go by, from deadline to deadline; with `feed`, KEEPALIVE goes out every 0.2 s."""
        end_s = self.now_s + duration_s
        feed_s = self.now_s + 0.2 if feed else float("inf")
        got = self.collect()
        while True:
            due_s = self.device.next_deadline_s()
            due_s = min(end_s, feed_s, end_s if due_s is None else due_s)
            self.now_s = max(self.now_s, due_s)
            got += self.collect()
            if self.now_s >= end_s:
                return got
            if due_s == feed_s:
                feed_s += 0.2
                got += self.control(Opcode.KEEPALIVE)

    def run(self, opcode: int, message: Any = b"", *, limit_s: float = 60.0) -> Got:
        """Send a request and wait for its RESULT, keeping the watchdog fed."""
        number = self.next_number
        got = self.request(opcode, message)
        end_s = self.now_s + limit_s
        feed_s = self.now_s + 0.2
        while True:
            for frame in got:
                if frame.kind is Kind.RESULT and frame.number == number:
                    return frame
            assert self.now_s < end_s, "no RESULT in time"
            due_s = self.device.next_deadline_s()
            self.now_s = feed_s if due_s is None else min(feed_s, max(due_s, self.now_s))
            got = self.collect()
            if self.now_s == feed_s:
                feed_s += 0.2
                got += self.control(Opcode.KEEPALIVE)

    def set_up(self, part: PartDescriptor | None = None, work_id: int = WORK) -> Got:
        """Upload a part and return the last RESULT."""
        data = encode_descriptor(part or make_part())
        result: Got | None = None
        for at in range(0, len(data), 64):
            result = self.run(Opcode.SETUP, Setup(work_id, len(data), at, data[at : at + 64]))
        assert result is not None
        return result

    def apply(self, vcc_mv: int = 6250, vpp_mv: int = 12750) -> Got:
        return self.run(Opcode.SUPPLY, Supply(SupplyAction.APPLY, vcc_mv, vpp_mv))

    def ready(self, part: PartDescriptor | None = None, vcc_mv: int = 6250, vpp_mv: int = 12750) -> None:
        """Greet, set up, energise."""
        self.hello()
        assert self.set_up(part).status is Status.OK
        assert self.apply(vcc_mv, vpp_mv).status is Status.OK

    @property
    def rails(self) -> Rails:
        return self.device.rails(self.now_s)

    @property
    def off(self) -> bool:
        rails = self.rails
        return max(rails.vcc_v, rails.vpp_v, rails.id_v) <= 0.5 + 1e-9


def results(got: list[Got]) -> list[tuple[int, Status]]:
    """Return number and status of each RESULT."""
    return [(frame.number, frame.status) for frame in got if frame.kind is Kind.RESULT]


def kinds(got: list[Got]) -> list[Kind]:
    return [frame.kind for frame in got]
