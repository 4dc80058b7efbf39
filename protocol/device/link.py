"""The device's end of the wire, without I/O: bytes and the time in; requests, bytes and deadlines out.

Whoever carries out the requests, the executor, does this after each call of `receive` and `tick`:

1. When `stop_wanted`, it ends the running pulse, takes the supplies off, waits until they are discharged,
   and calls `stopped`.
2. Else, with nothing running, it takes `next_request`, carries it out (DATA goes through `send_data`), and
   calls `complete`.
"""

from collections import deque

from protocol import fields
from protocol.device.greeting import Greeting, Pending
from protocol.device.limits import ARGUMENTS_MAX, Counters, LinkLimits
from protocol.device.outbox import Outbox
from protocol.device.requests import Accepted, Outcome, accept, encode_detail, nothing_done
from protocol.device.sequence import Kept, KeptResults, OperationHistory, Place, following, place_of
from protocol.device.states import DeviceState, Move, moved
from protocol.framing import Frame, FrameReader, encode_frame
from protocol.identity import Identity
from protocol.messages import AbortReply, Hello, KeepaliveReply, StatsResult
from protocol.wire import (
    FROM_HOST,
    MAJOR,
    NONE_U8,
    EventCode,
    Fault,
    Kind,
    NakReason,
    Opcode,
    Status,
)


class DeviceLink:
    """One device from one boot to the next. Times are seconds of any clock that never goes back.

    Memory is bounded: by `window` and `rx_bytes` for what was received, by `window` for what is kept. Output
    grows by at most one short frame for each received; whoever sends DATA looks at `pending_bytes` first.
    """

    def __init__(
        self,
        identity: Identity,
        limits: LinkLimits,
        boot_id: int,
        now_s: float = 0.0,
        last_session: int = 0,
    ) -> None:
        """Start a device; its first session gets the number after `last_session`."""
        self.limits = limits
        #: How long silence may last, in seconds of this device's clock.
        self.watchdog_s = limits.watchdog_ms / 1000
        self.state = DeviceState.NO_SESSION
        self.faults = Fault.NONE
        #: Words of the running request that are done; the executor keeps it up to date for KEEPALIVE.
        self.progress_words = 0
        self._content_max = limits.max_payload + ARGUMENTS_MAX
        self._booted_s = now_s
        self._heard_s = now_s
        self._energised = False
        self._reader = FrameReader()
        self._counters = Counters()
        self._greeting = Greeting(identity, limits, boot_id, last_session)
        self._history = OperationHistory()
        self._kept = KeptResults(limits.window)
        self._queue: deque[Accepted] = deque()
        self._running: Accepted | None = None
        self._expected = 0
        self._done = NONE_U8
        self._nak_sent = False
        self._hello: Pending | None = None
        self._abort_tags: list[int] = []
        self._last_abort: tuple[int, bytes] | None = None
        self._watchdog_fired = False
        self._outbox = Outbox()

    # Bytes and time

    @property
    def session(self) -> int:
        """The number of the present session, 0 without one."""
        return self._greeting.session

    @property
    def pending_bytes(self) -> int:
        """How much output waits to be taken."""
        return len(self._outbox)

    def take_output(self) -> bytes:
        """Return the bytes to send and forget them."""
        return self._outbox.take()

    def deadline_s(self) -> float | None:
        """Return when `tick` is due: the watchdog's time, None while it has nothing to guard (D19)."""
        guarded = self._energised or self.state is DeviceState.RUNNING
        if not guarded or self.stop_wanted or not self.session:
            return None
        return self._heard_s + self.watchdog_s

    def tick(self, now_s: float) -> None:
        """Let the watchdog bite if its time has come."""
        deadline_s = self.deadline_s()
        if deadline_s is not None and now_s >= deadline_s:
            self._watchdog_fired = True
            self._move(Move.STOP)

    def receive(self, data: bytes, now_s: float) -> None:
        """Take bytes from the host, cut anywhere."""
        self.tick(now_s)
        for frame in self._reader.feed(data):
            if (
                frame is None
                or frame.kind not in FROM_HOST
                or not 0 < len(frame.content) <= self.limits.max_payload + ARGUMENTS_MAX
            ):
                self._damaged()
            else:
                self._counters.frames += 1
                self._on_frame(frame, now_s)

    # For the executor

    @property
    def stop_wanted(self) -> bool:
        """Whether HELLO, ABORT or the watchdog waits for `stopped`."""
        return self.state is DeviceState.STOPPING

    def next_request(self) -> Accepted | None:
        """Begin the next request and return it; None while there is none or one runs.

        Requests that are not to be carried out (malformed, or known by their operation number) are completed
        here, in their turn, and never returned.
        """
        while self._queue and self.state is not DeviceState.RUNNING and not self.stop_wanted:
            request = self._queue.popleft()
            self._move(Move.BEGIN)
            self._running = request
            self.progress_words = 0
            if request.refusal is not None:
                self.complete(Outcome(request.refusal))
            elif request.op is not None and self._history.seen(request.op):
                self._finish(request, self._history.result(request.op, request.opcode))
                self._running = None
                self._rest()
            else:
                return request
        return None

    def complete(self, outcome: Outcome) -> None:
        """End the running request. Raises RuntimeError when there is none."""
        request = self._running
        if request is None or self.stop_wanted:
            raise RuntimeError("no request is running that could be completed")
        self._finish(request, self._judged(request, outcome))
        self._running = None
        self._rest()

    def stopped(self, outcome: Outcome | None = None) -> None:
        """Say that the pulse has ended and the supplies are off and discharged (D5, D17, D19).

        `outcome` is how the running request ended, None when none was running. Raises RuntimeError when no
        stop was wanted.
        """
        if not self.stop_wanted:
            raise RuntimeError("nobody wanted a stop")
        self._energised = False
        if self._watchdog_fired:
            self._watchdog_fired = False
            self.latch(Fault.WATCHDOG)
        running = self._running
        ended = (
            self._judged(running, outcome or nothing_done(running.operation, Status.ABORTED))
            if running
            else None
        )
        self._running = None
        if self._hello is not None:
            self._open_session(self._hello)
        else:
            self._end_stopped(running, ended)
        self._rest()

    def send_data(self, block: int, data: bytes | memoryview) -> None:
        """Send one DATA frame of the running READ."""
        assert self._running is not None
        self._outbox.data(self._running.number, block, data)

    def send_event(self, event: EventCode) -> None:
        """Tell the host of `event`, if there is a session."""
        if self.session:
            self._outbox.event(event, self.faults)

    def latch(self, faults: Fault) -> None:
        """Latch `faults`; the host is told of new ones at once, and in every answer until cleared."""
        new = faults & ~self.faults
        self.faults |= faults
        if new:
            self.send_event(EventCode.FAULT)
        if self.state in (DeviceState.OPEN, DeviceState.ENERGISED):
            self._move(Move.REST_FAULTED)

    def clear_faults(self, faults: Fault) -> None:
        """Clear latched `faults`: CLEAR_FAULT is running."""
        self.faults &= ~faults

    def set_energised(self, energised: bool) -> None:
        """Say whether a supply is on, or not yet discharged: the watchdog guards it."""
        self._energised = energised

    def start_work(self, work_id: int) -> None:
        """Say that a SETUP of `work_id` is carried out: operation numbers count within a work (D18)."""
        self._history.start_work(work_id)

    def stats(self, now_s: float) -> StatsResult:
        """Return the counters since boot."""
        counted = self._counters
        return StatsResult(
            frames=counted.frames,
            damaged=counted.damaged,
            naks=counted.naks,
            repeats=counted.repeats,
            executed=counted.executed,
            uptime_ms=int((now_s - self._booted_s) * 1000) & 0xFFFF_FFFF,
        )

    # Frames from the host

    def _on_frame(self, frame: Frame, now_s: float) -> None:
        if frame.kind is Kind.CONTROL and frame.session == 0 and frame.content[:1] == bytes((Opcode.HELLO,)):
            self._on_hello(frame)
        elif frame.session != self.session or not self.session:
            return  # D8, D9
        else:
            self._heard_s = now_s
            if frame.kind is Kind.CONTROL:
                self._on_control(frame)
            else:
                self._on_request(frame)

    def _on_hello(self, frame: Frame) -> None:
        try:
            hello = fields.decode(Hello, frame.content[1:])
        except fields.MalformedError:
            self._damaged()
            return
        self._last_abort = None  # HELLO is a CONTROL in between, too (D17)
        if hello.major != MAJOR:
            self._outbox.refuse_version(frame.number, self.faults, self._greeting.describe(hello.nonce))
        elif self._greeting.is_present(hello):
            self._reply(frame.number, Opcode.HELLO, Status.OK, self._greeting.detail)
        else:
            self._hello = Pending(frame.number, hello.nonce)
            self._queue.clear()
            self._greeting.end()
            self._outbox.begin_session(0)
            self._move(Move.STOP)

    def _on_control(self, frame: Frame) -> None:
        opcode = frame.content[0]
        if opcode not in (Opcode.KEEPALIVE, Opcode.ABORT):
            # HELLO among them: it belongs to no session (D5).
            self._reply(frame.number, opcode, Status.UNKNOWN_OPCODE)
        elif opcode == Opcode.KEEPALIVE:
            self._reply(frame.number, opcode, Status.OK, fields.encode(self._standing()))
        elif self._last_abort is not None and self._last_abort[0] == frame.number:
            # A copy of the ABORT answered last: acting again would stop what the host has begun since.
            self._reply(frame.number, opcode, Status.OK, self._last_abort[1])
            return
        elif frame.number not in self._abort_tags:
            self._abort_tags.append(frame.number)
            self._move(Move.STOP)
        self._last_abort = None

    def _standing(self) -> KeepaliveReply:
        return KeepaliveReply(
            expected=self._expected,
            running=NONE_U8 if self._running is None else self._running.number,
            done=self._done,
            energised=int(self._energised),
            progress_words=0 if self._running is None else self.progress_words,
        )

    def _on_request(self, frame: Frame) -> None:
        match place_of(frame.number, self._expected, self.limits.window):
            case Place.NEXT:
                self._on_next(frame)
            case Place.GAP:
                self._nak(NakReason.GAP)
            case Place.REPEAT:
                self._on_repeat(frame.number)
            case Place.STRAY:
                self._counters.damaged += 1

    def _on_next(self, frame: Frame) -> None:
        held = [*self._queue, self._running] if self._running else [*self._queue]
        # As encoded, by the ordinary form: a sender that uses the longer one (D4) gains a byte.
        encoded_bytes = len(encode_frame(frame))
        in_flight_bytes = sum(request.encoded_bytes for request in held) + encoded_bytes
        if held and (len(held) >= self.limits.window or in_flight_bytes > self.limits.rx_bytes):
            self._nak(NakReason.NO_ROOM)
            return
        self._nak_sent = False
        self._queue.append(accept(frame.number, frame.content, encoded_bytes))
        self._expected = following(self._expected)
        self._outbox.accept(self._expected, self.faults)

    def _on_repeat(self, number: int) -> None:
        waiting = [request.number for request in self._queue]
        if number in waiting or (self._running is not None and self._running.number == number):
            self._counters.repeats += 1
            self._outbox.accept(self._expected, self.faults)
        elif (kept := self._kept.get(number)) is not None:
            self._counters.repeats += 1
            self._outbox.result(number, self.faults, kept)
        else:
            self._counters.damaged += 1  # a number that this session has not come to yet

    def _damaged(self) -> None:
        self._counters.damaged += 1
        if self.session:
            self._nak(NakReason.DAMAGED)

    # Stops and ends

    def _open_session(self, hello: Pending) -> None:
        self._hello = None
        self._abort_tags.clear()
        self._last_abort = None
        self._queue.clear()
        self._kept.clear()
        self._expected = 0
        self._done = NONE_U8
        self._nak_sent = False
        self._greeting.begin(hello.nonce)
        self._outbox.begin_session(self.session)
        self._reply(hello.tag, Opcode.HELLO, Status.OK, self._greeting.detail)

    def _end_stopped(self, running: Accepted | None, ended: Kept | None) -> None:
        stopped = [*self._queue]
        self._queue.clear()
        reply = fields.encode(AbortReply(self._expected, len(stopped) + (running is not None)))
        for tag in self._abort_tags:
            self._reply(tag, Opcode.ABORT, Status.OK, reply)
            self._last_abort = tag, reply
        self._abort_tags.clear()
        if running is not None and ended is not None:
            self._finish(running, ended)
        for request in stopped:
            outcome = nothing_done(request.operation, Status.ABORTED)
            self._finish(
                request, Kept(request.opcode, outcome.status, encode_detail(request.operation, outcome))
            )

    def _judged(self, request: Accepted, outcome: Outcome) -> Kept:
        """Return what `request` is answered with, and note it under its operation number if it was begun."""
        kept = Kept(request.opcode, outcome.status, encode_detail(request.operation, outcome))
        if not outcome.refused:
            self._counters.executed += 1
            if request.op is not None:
                self._history.begun(request.op, kept)
        return kept

    def _finish(self, request: Accepted, kept: Kept) -> None:
        self._kept.put(request.number, kept)
        self._done = request.number
        self._outbox.result(request.number, self.faults, kept)

    def _rest(self) -> None:
        if self.faults:
            self._move(Move.REST_FAULTED)
        else:
            self._move(Move.REST_ENERGISED if self._energised else Move.REST_OPEN)

    def _move(self, move: Move) -> None:
        self.state = moved(self.state, move)

    # Frames to the host

    def _nak(self, reason: NakReason) -> None:
        if not self._nak_sent:
            self._nak_sent = True
            self._counters.naks += 1
            self._outbox.nak(self._expected, self.faults, reason)

    def _reply(self, tag: int, opcode: int, status: Status, detail: bytes = b"") -> None:
        self._outbox.reply(tag, self.faults, opcode, status, detail)
