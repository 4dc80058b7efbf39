"""The part that serial ports on POSIX and TCP sockets share: non-blocking descriptors and select.

Measured on a pseudo-terminal, select and one large read gives the shortest round trip (55 µs) and the least
processor time of all ways to read. select is used rather than poll since poll does not serve serial ports on
every macOS. A socket pair in each select lets other threads interrupt it.
"""

import select
import socket
import threading
import time
from abc import abstractmethod
from contextlib import suppress

from daemon.transport.base import READ_BYTES_MAX, Transport
from daemon.transport.port_errors import port_closed, port_lost, port_write_timeout

_RETRY_S = 0.001
_WAIT_S_MAX = 3600.0  # select refuses what its timer cannot hold
#: Small reads that follow one another this quickly, so many of them, are a stream: then one waits a little
#: for more, since each wake-up costs far more than its bytes. An answer that comes alone is taken at once.
_STREAM_GAP_S, _STREAM_READS, _STREAM_BYTES = 0.003, 8, 2048
#: So long, and longer where so many bytes come each time: what a READ streams, and no row of short answers.
_GATHER_S, _GATHER_LONG_S, _LONG_FROM_BYTES = 0.003, 0.008, 160


class Waker:
    """Something to select on that another thread can make readable."""

    def __init__(self) -> None:
        self._near, self._far = socket.socketpair()
        self._near.setblocking(False)
        self._far.setblocking(False)

    def fileno(self) -> int:
        """Return the descriptor to wait on."""
        return self._near.fileno()

    def wake(self) -> None:
        """Make it readable."""
        with suppress(BlockingIOError):  # full: it is readable already
            self._far.send(b"\0")

    def drain(self) -> None:
        """Make it quiet again."""
        with suppress(BlockingIOError):
            self._near.recv(4096)

    def close(self) -> None:
        """Give both sockets back."""
        self._near.close()
        self._far.close()


class SelectedTransport(Transport):
    """Reads and writes by select; a subclass connects, moves the bytes and disconnects."""

    def __init__(self, *, write_timeout_s: float) -> None:
        self._write_timeout_s = write_timeout_s
        self._lifecycle = threading.Lock()
        self._read_lock = threading.Lock()
        self._write_lock = threading.Lock()
        self._wakers: tuple[Waker, Waker] | None = None  # for the reader and for the writer
        self._closing = False
        self._write_unfinished = False
        self._read_at_s = 0.0
        self._quick_reads = 0
        self._gather_s = 0.0

    @abstractmethod
    def _connect(self) -> None:
        """Acquire a non-blocking descriptor, or raise the BenchError that says why not."""

    @abstractmethod
    def _fileno(self) -> int:
        """Return the descriptor."""

    @abstractmethod
    def _receive(self, size: int) -> bytes:
        """Take up to `size` bytes that are there; b"" when the far end has gone. Raises OSError."""

    @abstractmethod
    def _send(self, data: memoryview) -> int:
        """Give what fits and return how many bytes that was. Raises OSError."""

    @abstractmethod
    def _disconnect(self) -> None:
        """Give the descriptor back; raises nothing."""

    def _line_time_s(self, size: int) -> float:
        """Return how long the line itself needs for `size` bytes; 0 where that is not known."""
        return 0.0

    @property
    def is_open(self) -> bool:
        """See the base class."""
        return self._wakers is not None

    def open(self) -> None:
        """See the base class."""
        with self._lifecycle:
            if self._wakers is not None:
                return
            self._connect()
            self._closing = self._write_unfinished = False
            self._wakers = (Waker(), Waker())

    def close(self) -> None:
        """See the base class."""
        with self._lifecycle:
            wakers = self._wakers
            if wakers is None:
                return
            # The flag comes before the wake-up: a thread that eats the wake-up is bound to see the flag.
            self._closing = True
            for waker in wakers:
                waker.wake()
            # A descriptor number is reused at once by the system, so nobody may still be waiting on it.
            with self._read_lock, self._write_lock:
                self._wakers = None
                self._disconnect()
                for waker in wakers:
                    waker.close()

    def wake(self) -> None:
        """See the base class."""
        wakers = self._wakers
        if wakers is not None:
            with suppress(OSError):  # closed by another thread in between
                wakers[0].wake()

    def read(self, timeout_s: float) -> bytes:
        """See the base class."""
        deadline_s = time.monotonic() + timeout_s
        with self._read_lock:
            waker = self._waker(0)
            while True:
                wait_s = min(_WAIT_S_MAX, max(0.0, deadline_s - time.monotonic()))
                ready, _, _ = select.select([self._fileno(), waker.fileno()], [], [], wait_s)
                woken = waker.fileno() in ready
                if woken:
                    waker.drain()
                if self._closing:
                    raise port_closed(self.path)
                if self._fileno() in ready and (data := self._receive_ready()):
                    return data
                if woken or time.monotonic() >= deadline_s:
                    return b""

    def write(self, data: bytes) -> None:
        """See the base class."""
        with self._write_lock:
            waker = self._waker(1)
            rest = memoryview(data)
            timeout_s = self._write_timeout_s + self._line_time_s(len(data))
            deadline_s = time.monotonic() + timeout_s
            self._write_unfinished = True
            while True:
                rest = rest[self._send_some(rest) :]
                if not rest:
                    self._write_unfinished = False
                    return
                wait_s = deadline_s - time.monotonic()
                if wait_s <= 0:
                    raise port_write_timeout(self.path, len(rest), timeout_s)
                ready, _, _ = select.select([waker.fileno()], [self._fileno()], [], wait_s)
                if ready:
                    waker.drain()
                if self._closing:
                    raise port_closed(self.path)

    def _waker(self, index: int) -> Waker:
        if self._wakers is None or self._closing:
            raise port_closed(self.path)
        return self._wakers[index]

    def _receive_ready(self) -> bytes | None:
        gathered_s = self._gather_s
        if gathered_s:
            time.sleep(gathered_s)
        try:
            data = self._receive(READ_BYTES_MAX)
        except (BlockingIOError, InterruptedError):
            return None
        except OSError as error:
            raise port_lost(self.path, error.strerror or error) from error
        if not data:
            raise port_lost(self.path)
        now_s = time.monotonic()
        quick = now_s - self._read_at_s < _STREAM_GAP_S + gathered_s and len(data) < _STREAM_BYTES
        self._quick_reads = self._quick_reads + 1 if quick else 0
        self._gather_s = 0.0
        if self._quick_reads >= _STREAM_READS:
            self._gather_s = _GATHER_S if len(data) < _LONG_FROM_BYTES else _GATHER_LONG_S
        self._read_at_s = now_s
        return data

    def _send_some(self, data: memoryview) -> int:
        if not data:
            return 0
        try:
            sent = self._send(data)
        except (BlockingIOError, InterruptedError):
            sent = 0
        except OSError as error:
            raise port_lost(self.path, error.strerror or error) from error
        if sent == 0:
            # Some drivers call a port writable with less room than they need: do not spin on that.
            time.sleep(_RETRY_S)
        return sent
