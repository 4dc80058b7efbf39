"""A conversation with one programmer: drives the host link over a transport, in the calling thread.

Everything here blocks the thread that calls it, which is the programmer's own worker. Only `StopSignal` may
be touched from outside. Time comes from the clock, so a bench in memory runs in virtual time.
"""

import math
import secrets
from collections import deque
from collections.abc import Callable, Iterable
from typing import Any

from daemon.clock import Clock
from daemon.errors import BenchError, Code
from daemon.programmers import link_errors
from daemon.programmers.in_order import Asked, InOrder
from daemon.transport.base import Transport
from protocol.host.events import (
    AbortAnswered,
    Completed,
    DataArrived,
    DeviceEvent,
    KeepaliveAnswered,
    LinkCounters,
    LinkEvent,
    Lost,
    Opened,
    VersionRefused,
)
from protocol.host.link import HostLink
from protocol.host.states import LinkState
from protocol.identity import Identity
from protocol.messages import HelloReply
from protocol.wire import EventCode, Fault, Opcode

#: Even without news from the link we look up this often, so that a stop is never waited out.
_LOOK_UP_S = 0.25
#: How long an abort may take to be answered: the link's own repeats, then it is lost (SPEC.md section 9).
_ABORT_S = 12.0
#: A programmer that nothing is asked of is asked this often where it stands: one that was switched off or
#: restarted behind an adapter that stays plugged in tells nothing by itself.
_ASK_S = 3.0
#: What the board told unasked is kept until somebody asks for it, so many at most.
_BOARD_EVENTS = 32
#: Heard so lately, it need not be asked before a job begins; else it is given so long to answer.
_FRESH_S, _SURE_S = 0.25, 6.0
#: Who has said nothing for so long when its time is up does not "answer, but not finish".
_SILENT_S = 2.5
#: Requests handed to the link ahead of the window, so that it never runs dry between two completions.
_AHEAD = 2
#: Operation numbers that one work has (SPEC.md D18).
OPS_MAX = 65_535


class StoppedError(Exception):
    """The stop signal was given: the device has been told to abort, and its supplies are off."""


class StopSignal:
    """Two-stage cancel, set from any thread: first ask at the next word, then force by closing the port."""

    def __init__(self) -> None:
        self.asked = False
        self._wake: Callable[[], None] = lambda: None

    def ask(self) -> None:
        """Let the worker stop at its next look."""
        self.asked = True
        self._wake()

    def wake_by(self, wake: Callable[[], None]) -> None:
        """Say what interrupts the worker's wait."""
        self._wake = wake


class Session:
    """One HELLO's worth of conversation. After `link-lost` it is to be closed and thrown away."""

    def __init__(self, transport: Transport, clock: Clock, *, nonce: int | None = None) -> None:
        self._transport = transport
        self._clock = clock
        self._link = HostLink(nonce=secrets.randbits(32) if nonce is None else nonce)
        self._stop = StopSignal()
        self._op = 0
        self._aborting = False
        self._asked_s = self._heard_s = -math.inf
        self._board_events: deque[EventCode] = deque(maxlen=_BOARD_EVENTS)
        self.hello: HelloReply | None = None
        self.identity = Identity()

    # Life

    def connect(self, *, quiet_s: float = 0.0, timeout_s: float = 6.0) -> None:
        """Say HELLO and wait for the answer; the transport is open.

        `quiet_s` is waited first, reading what comes and dropping it: opening a port may restart the board.
        Raises StoppedError, or BenchError `device-silent`, `device-version`, `device-violation` or what the
        transport raises.
        """
        until_s = self._clock.monotonic_s() + quiet_s
        while (left_s := until_s - self._clock.monotonic_s()) > 0:
            if self._stop.asked:
                raise StoppedError
            self._transport.read(min(left_s, _LOOK_UP_S))
        self._link.start(self._clock.monotonic_s())
        until_s = self._clock.monotonic_s() + timeout_s
        while self._link.state is LinkState.GREETING and self._clock.monotonic_s() < until_s:
            if self._stop.asked:
                raise StoppedError
            for event in self._exchange(until_s):
                if isinstance(event, Opened):
                    self.hello, self.identity = event.hello, event.identity
                    self._asked_s = self._clock.monotonic_s()
                    return
        raise link_errors.silent(self._transport.description)

    def close(self) -> None:
        """Close the transport. Harmless when closed."""
        self._transport.close()

    @property
    def alive(self) -> bool:
        """Whether the conversation can go on."""
        return self._link.state is LinkState.OPEN and self._transport.is_open

    def wake(self) -> None:
        """Let a pending `listen` return; from any thread."""
        self._transport.wake()

    @property
    def counters(self) -> LinkCounters:
        """What the link counted."""
        return self._link.counters

    @property
    def byte_s(self) -> float:
        """How long a byte needs on the line at most, by the best that it has shown; seconds."""
        return self._link.byte_s

    @property
    def faults(self) -> Fault:
        """Faults that the device has latched, as far as is known."""
        return self._link.faults

    def now_s(self) -> float:
        """Return the monotonic time by which this session goes, seconds."""
        return self._clock.monotonic_s()

    @property
    def has_board_events(self) -> bool:
        """Whether the board has told something that nobody has taken yet."""
        return bool(self._board_events)

    def take_board_events(self) -> tuple[EventCode, ...]:
        """Return what the board told unasked since the last call (its button, its lever), the last 32."""
        told = tuple(self._board_events)
        self._board_events.clear()
        return told

    def attend(self, stop: StopSignal) -> None:
        """Let `stop` end whatever this session waits for from now on."""
        self._stop = stop
        self._aborting = False
        stop.wake_by(self._transport.wake)

    def listen(self, duration_s: float) -> None:
        """Listen for up to `duration_s`, and every few seconds ask whether the programmer is still there.

        Returns early when something came or the transport was woken. Raises StoppedError when the stop signal
        has been given, after aborting; BenchError `link-lost` when the programmer has fallen silent or has
        restarted, and what the transport raises.
        """
        if self._stop.asked:
            self.abort()
            raise StoppedError
        now_s = self._clock.monotonic_s()
        if now_s - self._asked_s >= _ASK_S and self._link.state is LinkState.OPEN:
            self._asked_s = now_s
            self._link.keepalive(now_s)
        self._exchange(now_s + duration_s)

    def make_sure(self) -> None:
        """Ask whether the programmer is still there, unless it was heard a moment ago.

        One that was reset or switched off while idle has forgotten this conversation: a job begun now
        would only find that out by failing. Raises BenchError `link-lost`, and what the transport raises.
        """
        now_s = self._clock.monotonic_s()
        if now_s - self._heard_s < _FRESH_S or not self.alive:
            return
        self._asked_s = now_s
        self._link.keepalive(now_s)
        until_s = now_s + _SURE_S
        while self._clock.monotonic_s() < until_s and not self._stop.asked:
            if any(isinstance(event, KeepaliveAnswered) for event in self._exchange(until_s)):
                return
        if not self._stop.asked:
            raise link_errors.unheard(_SURE_S)

    def start_work(self) -> int:
        """Begin a work: return a new work id and count operation numbers from 1 again."""
        self._op = 0
        return secrets.randbits(32)

    @property
    def ops_left(self) -> int:
        """How many operation numbers this work still has."""
        return OPS_MAX - self._op

    def next_op(self) -> int:
        """Return the next operation number of this work; there is one (`ops_left`)."""
        assert self.ops_left > 0, "the operation numbers of this work are used up"
        self._op += 1
        return self._op

    def set_energised(self, energised: bool, pulse_s: float = 0.0) -> None:
        """Tell the link that supplies are on (it then feeds the watchdog) and how long a pulse may take."""
        self._link.set_energised(energised)
        self._link.set_pulse_s(pulse_s)

    # Requests

    def request(self, opcode: Opcode, message: Any, *, timeout_s: float) -> Completed:
        """Send one request and return its completion, whatever its status.

        Raises StoppedError, or BenchError `link-lost`, `step-timeout`, `device-violation` or the transport's.
        """
        found: list[Completed] = []
        self.stream([(opcode, message)], found.append, timeout_s=timeout_s)
        return found[0]

    def stream(
        self,
        requests: Iterable[Asked | None],
        on_completed: Callable[[Completed], None],
        *,
        timeout_s: float,
        on_data: Callable[[DataArrived], None] = lambda event: None,
    ) -> None:
        """Send requests one behind another as the window allows; call back for each, in order.

        `timeout_s` is how long the first in line may take to complete, or to send more data. An exception
        from a callback aborts what is under way and passes on. `requests` may yield None for "none before
        another one completes", as long as one is under way.
        """
        if not self.alive:
            raise BenchError(
                Code.LINK_LOST, "the link to the programmer is lost", hint="Check cable and power."
            )
        line = InOrder(requests)
        ahead = _AHEAD + (self.hello.window if self.hello else 1)
        deadline_s = self._clock.monotonic_s() + timeout_s
        try:
            while True:
                while len(line) < ahead and (asked := line.next()) is not None:
                    line.sent(self._link.submit(*asked, self._clock.monotonic_s()))
                if line.done:
                    return
                for event in self._exchange(deadline_s):
                    if isinstance(event, Completed) and line.ended(event):
                        deadline_s = self._clock.monotonic_s() + timeout_s
                        for completed in line.take():
                            on_completed(completed)
                    elif isinstance(event, DataArrived) and event.ticket in line:
                        deadline_s = self._clock.monotonic_s() + timeout_s
                        on_data(event)
                self._check_deadline(deadline_s)
        except StoppedError:
            raise
        except Exception:
            self.abort()
            raise

    # Stopping

    def abort(self) -> None:
        """Stop what the device does, now, and wait until its supplies are off and its queue is empty.

        Does not raise: a link that cannot even abort is closed, and the device's watchdog does the rest.
        """
        if self._aborting or self._link.state is not LinkState.OPEN:
            return
        self._aborting = True
        try:
            self._link.abort(self._clock.monotonic_s())
            until_s = self._clock.monotonic_s() + _ABORT_S
            while self._clock.monotonic_s() < until_s:
                if any(isinstance(event, AbortAnswered) for event in self._exchange(until_s)):
                    self._link.set_energised(False)
                    return
            self.close()
        except BenchError:
            self.close()
        finally:
            self._aborting = False

    def _check_deadline(self, deadline_s: float) -> None:
        if self._stop.asked:
            self.abort()
            raise StoppedError
        now_s = self._clock.monotonic_s()
        if now_s >= deadline_s and now_s - self._heard_s > _SILENT_S:
            raise link_errors.unheard(now_s - self._heard_s)
        if now_s >= deadline_s:
            raise link_errors.unfinished()

    # Bytes

    def _exchange(self, until_s: float) -> list[LinkEvent]:
        """Send what is due, wait for bytes until the next deadline at most, and return what happened."""
        if self._stop.asked and not self._aborting:
            return []
        link, now_s = self._link, self._clock.monotonic_s()
        link.tick(now_s)
        self._send()
        events = link.take_events()
        if not events:
            next_s = link.deadline_s()
            wait_s = min(until_s, math.inf if next_s is None else next_s, now_s + _LOOK_UP_S) - now_s
            data = self._transport.read(max(0.0, wait_s))
            now_s = self._clock.monotonic_s()
            if data:
                link.receive(data, now_s)
            link.tick(now_s)
            self._send()
            events = link.take_events()
        for event in events:
            self._notice(event)
        if events:
            self._heard_s = now_s
        return events

    def _send(self) -> None:
        data = self._link.take_output()
        if data:
            self._transport.write(data)

    def _notice(self, event: LinkEvent) -> None:
        match event:
            case DeviceEvent():
                self._board_events.append(event.code)
            case VersionRefused():
                raise link_errors.version_refused(event)
            case Lost():
                raise link_errors.lost(event, self._transport.description)
            case _:
                pass
