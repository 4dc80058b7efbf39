"""What happens between HELLO and the end: frames in, events out (`SPEC.md` sections 3 and 4)."""

from typing import Any

from protocol.fields import encode
from protocol.framing import Frame
from protocol.host.answers import decode_detail, split_answer
from protocol.host.control import ControlChannel
from protocol.host.events import (
    AbortAnswered,
    Accepted,
    Completed,
    DataArrived,
    DeviceEvent,
    FaultsChanged,
    KeepaliveAnswered,
    LinkCounters,
    LinkEvent,
    violation,
)
from protocol.host.greeting import Welcome
from protocol.host.outlet import Outlet
from protocol.host.requests import Pending, RequestWindow, WindowLimits
from protocol.host.rtt import RoundTrip
from protocol.host.tuning import LinkTuning
from protocol.messages import OPERATIONS, AbortReply, KeepaliveReply, Program, Read, Setup
from protocol.wire import NONE_U8, NUMBER_SPACE, EventCode, Fault, Kind, Opcode, Status

#: A word has two bytes at most: READ's `count` bounds its blocks even where the link does not know the width.
WORD_BYTES_MAX = 2
#: The number of a block stands before its bytes.
BLOCK_NUMBER_BYTES = 2
FAULT_BYTES = 2

_EVENT_CODES = frozenset(EventCode)
_NUMBERS = frozenset(range(NUMBER_SPACE))


class Session:
    """The frames of one session. `events` is the link's list; LinkDownError ends the session."""

    def __init__(self, welcome: Welcome, rtt: RoundTrip, tuning: LinkTuning, outlet: Outlet,
                 counters: LinkCounters, events: list[LinkEvent]) -> None:  # fmt: skip
        hello = welcome.hello
        limits = WindowLimits(welcome.session, hello.window, hello.rx_bytes)
        self.welcome = welcome
        self.requests = RequestWindow(limits, rtt, tuning, outlet, counters)
        self.control = ControlChannel(welcome.session, rtt, tuning, outlet, counters)
        self.fault_bits = 0
        self.aborting = False
        self._counters = counters
        self._events = events
        self._feed_every_s = hello.watchdog_ms / 1000 / tuning.feeds_per_watchdog
        self._feed_due_s: float | None = None
        self._event_number: int | None = None
        self._note_faults(welcome.fault_bits)

    @property
    def deadline_s(self) -> float | None:
        """When `tick` has something to do."""
        times = (self.control.deadline_s, self.requests.deadline_s, self._feed_due_s)
        return min((time_s for time_s in times if time_s is not None), default=None)

    def submit(self, ticket: int, opcode: Opcode, message: Any, now_s: float) -> None:
        """Queue a request and send what the device has room for.

        Raises ValueError for a message that cannot be sent to this device.
        """
        operation = OPERATIONS[opcode]
        if operation.control or type(message) is not operation.request:
            raise ValueError(f"{type(message).__name__} is no request {opcode.name}")
        _check_payload(message, self.welcome.hello.max_payload)
        self.requests.submit(Pending(ticket, opcode, message, bytes((opcode,)) + encode(message)))
        self.requests.pump(now_s)

    def abort(self, now_s: float) -> None:
        """Send ABORT; nothing else is sent until it is answered."""
        self.aborting = True
        self.requests.halt()
        self.control.send(Opcode.ABORT, now_s)

    def plan_feeding(self, now_s: float, *, energised: bool) -> None:
        """Start the time to the next KEEPALIVE when the device's watchdog runs, stop it when not (H11)."""
        if self.aborting or not (energised or self.requests.unfinished):
            self._feed_due_s = None
        elif self._feed_due_s is None:
            self._feed_due_s = now_s + self._feed_every_s

    def tick(self, now_s: float) -> None:
        """Send again what is overdue, and KEEPALIVE when it is time. Raises LinkDownError after too much."""
        self.control.tick(now_s)
        self.requests.tick(now_s)
        if self._feed_due_s is None or now_s < self._feed_due_s:
            return
        self._feed_due_s = now_s + self._feed_every_s
        if self.control.waiting:
            self.control.repeat()
        else:
            self.control.send(Opcode.KEEPALIVE, now_s)

    def take(self, frame: Frame, now_s: float) -> None:
        """Act on one sound frame. Raises LinkDownError for one that breaks the protocol (H12)."""
        if frame.session != self.welcome.session:
            self._counters.stale += 1
            return
        self.requests.heard()
        self.control.heard()
        match frame.kind:
            case Kind.DATA:
                self._take_data(frame)
            case Kind.ACCEPT:
                self._note_faults(_faults_at(frame.content, 0, "ACCEPT"))
                self._announce(self.requests.accept(frame.number, now_s, measure=True))
            case Kind.RESULT:
                self._take_result(frame, now_s)
            case Kind.NAK:
                self._counters.naks += 1
                self._note_faults(_faults_at(frame.content, 0, "NAK"))
                self._announce(self.requests.go_back(frame.number, now_s))
            case Kind.EVENT:
                self._take_event(frame)
            case Kind.REPLY:
                self._take_reply(frame, now_s)
            case _:
                # Our own frames: an echo of the line. It tells nothing.
                self._counters.stale += 1

    def _take_data(self, frame: Frame) -> None:
        pending = self.requests.find(frame.number)
        if pending is None:
            self._counters.stale += 1
            return
        read = pending.message
        block = int.from_bytes(frame.content[:BLOCK_NUMBER_BYTES], "little")
        data = frame.content[BLOCK_NUMBER_BYTES:]
        if not isinstance(read, Read):
            raise violation(f"DATA came for request {frame.number}, which is {pending.opcode.name}")
        if not data or len(data) > read.block_bytes:
            raise violation(f"a DATA block has {len(data)} bytes, asked were {read.block_bytes} at most")
        if block * read.block_bytes >= read.count * WORD_BYTES_MAX:
            raise violation(f"DATA block {block} lies behind the {read.count} words asked for")
        self._events.append(DataArrived(pending.ticket, block, data))

    def _take_result(self, frame: Frame, now_s: float) -> None:
        pending = self.requests.find(frame.number)
        if pending is None:
            self._counters.stale += 1
            return
        what = f"the result of request {frame.number}"
        status, faults, detail = split_answer(frame.content, pending.opcode, what)
        result = decode_detail(OPERATIONS[pending.opcode], status, detail)
        self._note_faults(faults)
        self._announce(self.requests.complete(pending, now_s))
        self._events.append(Completed(pending.ticket, pending.opcode, status, Fault(faults), result))

    def _take_event(self, frame: Frame) -> None:
        faults = _faults_at(frame.content, 1, "EVENT")
        # Events are sent once and numbered: the same number again is a copy that the line made.
        if frame.number == self._event_number:
            self._counters.stale += 1
            return
        self._event_number = frame.number
        self._note_faults(faults)
        if frame.content[0] in _EVENT_CODES:
            self._events.append(DeviceEvent(EventCode(frame.content[0]), Fault(faults)))

    def _take_reply(self, frame: Frame, now_s: float) -> None:
        opcode = self.control.answered(frame.number, now_s)
        if opcode is None:
            self._counters.stale += 1
            return
        status, faults, detail = split_answer(frame.content, opcode, f"the answer to {opcode.name}")
        reply = decode_detail(OPERATIONS[opcode], status, detail)
        self._note_faults(faults)
        if isinstance(reply, KeepaliveReply):
            self._take_keepalive(reply, now_s)
        elif isinstance(reply, AbortReply):
            self._take_abort(reply)
        else:
            raise violation(f"the answer to {opcode.name} has status {status.name}")

    def _take_keepalive(self, reply: KeepaliveReply, now_s: float) -> None:
        if reply.expected not in _NUMBERS or not {reply.running, reply.done} <= {*_NUMBERS, NONE_U8}:
            raise violation(f"the answer to KEEPALIVE names a request above 31: {reply}")
        accepted = self.requests.believe(reply.expected, now_s)
        if accepted is None:
            raise violation(f"the device expects request {reply.expected}, neither sent nor next")
        self._announce(accepted)
        if reply.done != NONE_U8:
            self.requests.ask_up_to(reply.done, now_s)
        self._events.append(KeepaliveAnswered(reply))

    def _take_abort(self, reply: AbortReply) -> None:
        if reply.expected not in _NUMBERS:
            raise violation(f"the answer to ABORT names request {reply.expected}, above 31")
        accepted, dropped = self.requests.restart(reply.expected)
        self.aborting = False
        self._announce(accepted)
        self._events.append(AbortAnswered(reply))
        faults = Fault(self.fault_bits)
        for pending in dropped:
            self._events.append(Completed(pending.ticket, pending.opcode, Status.ABORTED, faults, None))

    def _announce(self, accepted: list[Pending] | None) -> None:
        if accepted is None:
            self._counters.stale += 1
        else:
            self._events.extend(Accepted(pending.ticket) for pending in accepted)

    def _note_faults(self, bits: int) -> None:
        if bits != self.fault_bits:
            self.fault_bits = bits
            self._events.append(FaultsChanged(Fault(bits)))


def _faults_at(content: bytes, at: int, what: str) -> int:
    """Return the fault bits at this offset. Raises LinkDownError for a content that is too short."""
    if len(content) < at + FAULT_BYTES:
        raise violation(f"{what} has {len(content)} bytes, needs {at + FAULT_BYTES}")
    return content[at] | content[at + 1] << 8


def _check_payload(message: Any, max_payload: int) -> None:
    """Raise ValueError for more data in one frame than this device allows."""
    match message:
        case Program(data=data) | Setup(piece=data):
            size = len(data)
        case Read(block_bytes=size):
            pass
        case _:
            return
    if not 1 <= size <= max_payload:
        what = type(message).__name__
        raise ValueError(f"{what} with {size} bytes a frame, this device takes 1 to {max_payload}")
