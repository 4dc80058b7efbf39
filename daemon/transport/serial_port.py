"""Serial ports, and pseudo-terminals by path, opened by pyserial.

Paths go to `serial.Serial` and never to `serial_for_url`, which can open sockets and files.

Two ways to move the bytes, both behind `serial_transport`:

* POSIX: pyserial opens, locks and configures the port; then select and plain reads and writes on its
  descriptor. Quickest, and one write loop that neither spins nor waits once all is written.
* Elsewhere (Windows): pyserial's own calls. The read timeout is set once, to a short slice: changing it
  reconfigures the whole port, control lines included. So a read may last up to `SLICE_S` longer than asked.

Control lines: the system raises DTR when a port is opened, and many boards restart on that. pyserial is left
at its default of DTR and RTS raised, so opening adds no second edge. On POSIX the port is told not to drop
DTR when it is closed (HUPCL off), so that opening it again does not restart the board.
"""

import os
import stat
import sys
import threading
import time
from contextlib import suppress

import serial

from daemon.transport.base import READ_BYTES_MAX, WRITE_TIMEOUT_S, Transport
from daemon.transport.port_errors import (
    explain_open_failure,
    port_closed,
    port_lost,
    port_missing,
    port_permission,
    port_unusable,
    port_write_timeout,
)
from daemon.transport.selected import SelectedTransport

SLICE_S = 0.02
"""Longest time that a read on Windows is deaf to `close` and `wake`, and may overrun its timeout."""

_BITS_PER_BYTE = 10  # start, eight data bits, stop

if sys.platform == "win32":
    _FAILURES: tuple[type[Exception], ...] = (OSError, ValueError)
else:
    import termios

    _FAILURES = (OSError, ValueError, termios.error)


def serial_transport(path: str, *, baud: int, write_timeout_s: float = WRITE_TIMEOUT_S) -> Transport:
    """Return an unopened transport for the serial port or pseudo-terminal `path` at `baud` bits a second."""
    if sys.platform == "win32":
        return TimedSerialTransport(path, baud=baud, write_timeout_s=write_timeout_s)
    else:  # noqa: RET505 - keeps the type checker's platform branches apart
        return SelectedSerialTransport(path, baud=baud, write_timeout_s=write_timeout_s)


def _open_serial(path: str, baud: int, timeout_s: float, write_timeout_s: float) -> serial.Serial:
    _require_character_device(path)
    port = serial.Serial()
    try:
        port.port = path
        port.baudrate = baud
        port.timeout = timeout_s
        port.write_timeout = write_timeout_s
        port.exclusive = True
        port.open()
    except _FAILURES as error:
        raise explain_open_failure(path, error) from error
    return port


def _require_character_device(path: str) -> None:
    """Refuse files, folders, sockets and pipes before anything is opened; only POSIX can tell."""
    try:
        mode = stat.S_IFCHR if sys.platform == "win32" else os.stat(path).st_mode
    except PermissionError as error:
        raise port_permission(path) from error
    except (OSError, ValueError) as error:
        raise port_missing(path, getattr(error, "strerror", "") or str(error)) from error
    if not stat.S_ISCHR(mode):
        raise port_unusable(path, "it is not a serial port but a file, folder or pipe")


def _line_time_s(size: int, baud: int) -> float:
    return size * _BITS_PER_BYTE / baud


if sys.platform != "win32":

    class SelectedSerialTransport(SelectedTransport):
        """A serial port by select on its descriptor (POSIX)."""

        def __init__(self, path: str, *, baud: int, write_timeout_s: float = WRITE_TIMEOUT_S) -> None:
            super().__init__(write_timeout_s=write_timeout_s)
            self._path = path
            self._baud = baud
            self._serial: serial.Serial | None = None
            self._fd = -1

        @property
        def path(self) -> str:
            """See the base class."""
            return self._path

        @property
        def description(self) -> str:
            """See the base class."""
            return f"serial port {self._path} at {self._baud} baud"

        def _connect(self) -> None:
            self._serial = _open_serial(self._path, self._baud, 0, self._write_timeout_s)
            self._fd = self._serial.fileno()
            _keep_lines_up(self._fd)

        def _fileno(self) -> int:
            return self._fd

        def _receive(self, size: int) -> bytes:
            return os.read(self._fd, size)

        def _send(self, data: memoryview) -> int:
            return os.write(self._fd, data)

        def _line_time_s(self, size: int) -> float:
            return _line_time_s(size, self._baud)

        def _disconnect(self) -> None:
            assert self._serial is not None
            _close_serial(self._serial, discard=self._write_unfinished)
            self._serial = None
            self._fd = -1

    def _keep_lines_up(fd: int) -> None:
        """Ask that DTR stays up after close; what has no such line refuses, which is no harm."""
        with suppress(OSError, termios.error):
            attributes = termios.tcgetattr(fd)
            attributes[2] &= ~termios.HUPCL
            termios.tcsetattr(fd, termios.TCSANOW, attributes)


def _close_serial(port: serial.Serial, *, discard: bool) -> None:
    """Close; with `discard`, drop what the far end would not take, which Linux else awaits for up to 30 s."""
    with suppress(*_FAILURES):
        if discard:
            port.reset_output_buffer()
    with suppress(*_FAILURES):
        port.close()


class TimedSerialTransport(Transport):
    """A serial port by pyserial's own timed calls: what Windows needs; works wherever pyserial does."""

    def __init__(self, path: str, *, baud: int, write_timeout_s: float = WRITE_TIMEOUT_S) -> None:
        self._path = path
        self._baud = baud
        self._write_timeout_s = write_timeout_s
        self._lifecycle = threading.Lock()
        self._read_lock = threading.Lock()
        self._write_lock = threading.Lock()
        self._serial: serial.Serial | None = None
        self._closing = False
        self._failed = False
        self._woken = threading.Event()

    @property
    def path(self) -> str:
        """See the base class."""
        return self._path

    @property
    def description(self) -> str:
        """See the base class."""
        return f"serial port {self._path} at {self._baud} baud"

    @property
    def is_open(self) -> bool:
        """See the base class."""
        return self._serial is not None

    def open(self) -> None:
        """See the base class."""
        with self._lifecycle:
            if self._serial is None:
                # pyserial has one write timeout a port, so the line time of the largest write goes in here.
                timeout_s = self._write_timeout_s + _line_time_s(READ_BYTES_MAX, self._baud)
                port = _open_serial(self._path, self._baud, SLICE_S, timeout_s)
                self._closing = self._failed = False
                self._serial = port

    def read(self, timeout_s: float) -> bytes:
        """See the base class."""
        deadline_s = time.monotonic() + timeout_s
        with self._read_lock:
            while True:
                port = self._require_open()
                try:
                    data = self._take(port, wait=time.monotonic() < deadline_s)
                except _FAILURES as error:
                    raise self._broken(error) from error
                if data:
                    return data
                if self._woken.is_set():
                    self._woken.clear()
                    return b""
                if time.monotonic() >= deadline_s:
                    self._require_open()
                    return b""

    def write(self, data: bytes) -> None:
        """See the base class."""
        with self._write_lock:
            port = self._require_open()
            timeout_s = self._write_timeout_s + _line_time_s(len(data), self._baud)
            self._failed = True
            try:
                sent = port.write(data)
            except serial.SerialTimeoutException as error:
                raise port_write_timeout(self._path, len(data), timeout_s) from error
            except _FAILURES as error:
                raise self._broken(error) from error
            if self._closing:
                raise port_closed(self._path)
            if sent is not None and sent < len(data):
                raise port_write_timeout(self._path, len(data) - sent, timeout_s)
            self._failed = False

    def wake(self) -> None:
        """See the base class."""
        self._woken.set()
        self._cancel()

    def close(self) -> None:
        """See the base class."""
        with self._lifecycle:
            if self._serial is None:
                return
            self._closing = True
            self._cancel()
            with suppress(*_FAILURES, TypeError):
                self._serial.cancel_write()
            with self._read_lock, self._write_lock:
                _close_serial(self._serial, discard=self._failed)
                self._serial = None
                self._woken.clear()

    def _take(self, port: serial.Serial, *, wait: bool) -> bytes:
        """Return what has arrived; with `wait`, wait one slice for a first byte."""
        first = b""
        if not port.in_waiting and wait and not self._woken.is_set():
            first = bytes(port.read(1))
        waiting = min(port.in_waiting, READ_BYTES_MAX - len(first))
        return first + bytes(port.read(waiting)) if waiting else first

    def _require_open(self) -> serial.Serial:
        if self._serial is None or self._closing:
            raise port_closed(self._path)
        return self._serial

    def _broken(self, error: BaseException) -> Exception:
        return port_closed(self._path) if self._closing else port_lost(self._path, error)

    def _cancel(self) -> None:
        port = self._serial
        if port is not None:
            # A cancel that comes just before the read is missed on Windows; the slice bounds the harm.
            with suppress(*_FAILURES, TypeError):
                port.cancel_read()
