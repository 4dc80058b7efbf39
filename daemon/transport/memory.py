"""A transport in memory and in virtual time, so that a whole bench runs with no thread and no waiting.

The far end is any object with three methods (`Peer`). The transport is a discrete-event simulation of the
line between: `read` moves a `ManualClock` on to the next thing that happens (bytes arriving at either end,
the peer's own deadline) or to the end of its timeout, whichever is first. If something else moves the clock,
what happened meanwhile is worked off in order at its own time, at the next call here.
"""

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from daemon.clock import ManualClock
from daemon.errors import BenchError
from daemon.transport.base import READ_BYTES_MAX, WRITE_TIMEOUT_S, Transport
from daemon.transport.port_errors import port_closed, port_lost, port_missing, port_write_timeout

_BITS_PER_BYTE = 10  # start, eight data bits, stop
_CHUNK_BYTES_MAX = 64
_INSTANT_EVENTS_MAX = 10_000


class Peer(Protocol):
    """The far end: sans-I/O, told the time with every call (s of the shared clock, never going back)."""

    def receive(self, data: bytes, now_s: float) -> None:
        """Take bytes that have just arrived."""

    def take_output(self, now_s: float) -> bytes:
        """Do what is due by `now_s` and return the bytes to send from this moment on."""

    def next_deadline_s(self) -> float | None:
        """Return when `take_output` should be called next if nothing arrives before; None for never."""


class Direction(StrEnum):
    """Which way bytes go."""

    TO_DEVICE = "to-device"
    TO_HOST = "to-host"


Fault = Callable[[Direction, bytes, float], list[tuple[float, bytes]]]
"""What a bad line makes of bytes handed to it at a time (s): a list of (pause in s, bytes) to send in order.

`[(0.0, data)]` leaves them alone, `[]` loses them. The line keeps its order: a pause holds up what follows.
"""


@dataclass(frozen=True, slots=True)
class Wire:
    """The line's speed, the same both ways at once, and its one-way latencies in seconds.

    Without `baud` bytes take no time of their own.
    """

    baud: int | None = None
    latency_to_device_s: float = 0.0
    latency_to_host_s: float = 0.0


class _Line:
    """One direction: bytes put in at one time come out in chunks at later ones.

    A chunk arrives when its last byte does. Chunks end at zero bytes, the frame delimiter of our wire, so
    that a frame arrives exactly when it would, and at 64 bytes.
    """

    def __init__(self, baud: int | None, latency_s: float) -> None:
        self._byte_s = 0.0 if baud is None else _BITS_PER_BYTE / baud
        self._latency_s = latency_s
        self._free_at_s = 0.0
        self._chunks: deque[tuple[float, bytes]] = deque()

    def put(self, data: bytes, at_s: float) -> None:
        start_s = max(at_s, self._free_at_s)
        if self._byte_s == 0.0:
            self._chunks.append((start_s + self._latency_s, data))
            self._free_at_s = start_s
            return
        begin = 0
        while begin < len(data):
            zero = data.find(0, begin, begin + _CHUNK_BYTES_MAX)
            end = zero + 1 if zero >= 0 else min(begin + _CHUNK_BYTES_MAX, len(data))
            self._chunks.append((start_s + end * self._byte_s + self._latency_s, data[begin:end]))
            begin = end
        self._free_at_s = start_s + len(data) * self._byte_s

    def next_arrival_s(self) -> float | None:
        return self._chunks[0][0] if self._chunks else None

    def take(self, now_s: float) -> bytes:
        taken = []
        while self._chunks and self._chunks[0][0] <= now_s:
            taken.append(self._chunks.popleft()[1])
        return b"".join(taken)

    def clear(self) -> None:
        self._chunks.clear()
        self._free_at_s = 0.0


class MemoryTransport(Transport):
    """Joined to a `Peer` in the virtual time of `clock`; not for several threads at once.

    The peer lives on while the transport is closed or unplugged; what it sends then is lost.
    """

    def __init__(
        self,
        peer: Peer,
        clock: ManualClock,
        *,
        wire: Wire | None = None,
        fault: Fault | None = None,
        path: str = "memory:0",
        write_timeout_s: float = WRITE_TIMEOUT_S,
    ) -> None:
        wire = wire or Wire()
        self.fault = fault
        self._peer = peer
        self._clock = clock
        self._path = path
        self._write_timeout_s = write_timeout_s
        self._to_device = _Line(wire.baud, wire.latency_to_device_s)
        self._to_host = _Line(wire.baud, wire.latency_to_host_s)
        self._arrived = bytearray()
        self._settled_s = clock.monotonic_s()
        self._open = False
        self._plugged = True
        self._lost = False
        self._stalled = False
        self._woken = False

    @property
    def path(self) -> str:
        """See the base class."""
        return self._path

    @property
    def description(self) -> str:
        """See the base class."""
        return f"port in memory {self._path}"

    @property
    def is_open(self) -> bool:
        """See the base class."""
        return self._open

    def open(self) -> None:
        """See the base class."""
        if self._open:
            return
        if not self._plugged:
            raise port_missing(self._path)
        self._settle(self._clock.monotonic_s())
        self._drop_incoming()
        self._open, self._lost, self._woken = True, False, False

    def read(self, timeout_s: float) -> bytes:
        """See the base class; moves the clock on by up to `timeout_s`."""
        deadline_s = self._clock.monotonic_s() + timeout_s
        now_s = self._clock.monotonic_s()
        while True:
            self._settle(now_s)
            self._require_line()
            if self._arrived:
                data = bytes(self._arrived[:READ_BYTES_MAX])
                del self._arrived[:READ_BYTES_MAX]
                return data
            if self._woken or now_s >= deadline_s:
                self._woken = False
                return b""
            now_s = min(deadline_s, self._next_event_s())
            self._advance_to(now_s)

    def write(self, data: bytes) -> None:
        """See the base class; takes no time, except when stalled."""
        now_s = self._clock.monotonic_s()
        self._settle(now_s)
        self._require_line()
        if self._stalled:
            self._clock.advance_s(self._write_timeout_s)
            raise port_write_timeout(self._path, len(data), self._write_timeout_s)
        self._put(self._to_device, Direction.TO_DEVICE, bytes(data), now_s)
        self._settle(now_s)

    def wake(self) -> None:
        """See the base class."""
        self._woken = self._open

    def close(self) -> None:
        """See the base class; what was written is still on its way."""
        self._open = False

    def unplug(self) -> None:
        """Pull the cable: what is on the line is lost, and so is the port until `replug` and a new `open`."""
        self._settle(self._clock.monotonic_s())
        self._to_device.clear()
        self._drop_incoming()
        self._plugged, self._lost = False, True

    def replug(self, peer: Peer | None = None) -> None:
        """Push the cable in again, with another peer if one is given (as after a power cycle)."""
        if peer is not None:
            self._settle(self._clock.monotonic_s())
            self._peer = peer
        self._plugged = True

    def stall(self, stalled: bool = True) -> None:
        """Let writes time out from now on, as when a driver stops taking bytes; False ends that."""
        self._stalled = stalled

    def _require_line(self) -> None:
        error = self._why_not()
        if error is not None:
            raise error

    def _why_not(self) -> BenchError | None:
        if not self._open:
            return port_closed(self._path)
        return port_lost(self._path) if self._lost else None

    def _drop_incoming(self) -> None:
        self._to_host.clear()
        self._arrived.clear()

    def _advance_to(self, when_s: float) -> None:
        self._clock.advance_s(max(0.0, when_s - self._clock.monotonic_s()))

    def _next_event_s(self) -> float:
        """Return when something happens next, infinity for never; it may be overdue."""
        times = (
            self._to_device.next_arrival_s(),
            self._to_host.next_arrival_s(),
            self._peer.next_deadline_s(),
        )
        return min((time_s for time_s in times if time_s is not None), default=math.inf)

    def _settle(self, now_s: float) -> None:
        """Work off, in order of time, all that happens up to and including `now_s`."""
        steps = 0
        while True:
            before_s = self._settled_s
            self._step(min(now_s, max(self._settled_s, self._next_event_s())))
            if self._next_event_s() > now_s:
                self._settled_s = max(self._settled_s, now_s)
                return
            steps = 0 if self._settled_s > before_s else steps + 1
            if steps > _INSTANT_EVENTS_MAX:
                raise RuntimeError(f"the peer's deadline {self._peer.next_deadline_s()} stays due at {now_s}")

    def _step(self, at_s: float) -> None:
        """Let happen what is due at one instant."""
        self._settled_s = max(self._settled_s, at_s)
        data = self._to_device.take(at_s)
        if data:
            self._peer.receive(data, self._settled_s)
        output = self._peer.take_output(self._settled_s)
        if output and self._open and not self._lost:
            self._put(self._to_host, Direction.TO_HOST, output, self._settled_s)
        self._arrived += self._to_host.take(at_s)

    def _put(self, line: _Line, direction: Direction, data: bytes, at_s: float) -> None:
        pieces = [(0.0, data)] if self.fault is None else self.fault(direction, data, at_s)
        for pause_s, piece in pieces:
            at_s += pause_s
            if piece:
                line.put(piece, at_s)
