"""Where a simulated programmer is reached: a TCP port of this machine.

`pseudo_terminal` has the other kind. An endpoint never blocks. It stays open while hosts come and go, one at
a time.
"""

import socket
from abc import ABC, abstractmethod
from contextlib import suppress
from typing import TypeAlias

READ_BYTES = 65_536
Selectable: TypeAlias = socket.socket | int


class Endpoint(ABC):
    """One end of a line that a host can open."""

    @property
    @abstractmethod
    def path(self) -> str:
        """What a host opens; only while the endpoint is open."""

    @abstractmethod
    def open(self) -> None:
        """Make it reachable. Raises OSError when the system has none, or the port is taken."""

    @abstractmethod
    def readers(self) -> tuple[Selectable, ...]:
        """Return what becomes readable when there is something to do."""

    @abstractmethod
    def writers(self) -> tuple[Selectable, ...]:
        """Return what becomes writable when bytes can be written again."""

    @abstractmethod
    def read(self) -> bytes:
        """Return what the host has sent, b"" for nothing."""

    @abstractmethod
    def write(self, data: bytes) -> int:
        """Take as many bytes for the host as there is room for; all, which are lost, without a host."""

    @abstractmethod
    def close(self) -> None:
        """Hang up. No-op when closed."""


class TcpEndpoint(Endpoint):
    """A port on the loopback interface; port 0 lets the system choose. A second host is hung up on."""

    def __init__(self, port: int = 0) -> None:
        self._wanted_port = port
        self._listener: socket.socket | None = None
        self._host: socket.socket | None = None

    @property
    def path(self) -> str:
        """`tcp://127.0.0.1:port`."""
        assert self._listener is not None
        return f"tcp://127.0.0.1:{self._listener.getsockname()[1]}"

    def open(self) -> None:
        """See the base class."""
        self._listener = socket.create_server(("127.0.0.1", self._wanted_port), backlog=1)
        self._listener.setblocking(False)

    def readers(self) -> tuple[Selectable, ...]:
        """See the base class."""
        return tuple(end for end in (self._listener, self._host) if end is not None)

    def writers(self) -> tuple[Selectable, ...]:
        """See the base class."""
        return () if self._host is None else (self._host,)

    def read(self) -> bytes:
        """See the base class; this is also where hosts are taken and lost."""
        data = bytearray()
        while self._host is not None and len(data) < READ_BYTES:
            try:
                piece = self._host.recv(READ_BYTES)
            except BlockingIOError:
                break
            except OSError:
                piece = b""
            if not piece:
                self._drop_host()
            data += piece
        # Only now, so that a host which closes and opens again is not taken for a second one.
        self._take_host()
        return bytes(data)

    def write(self, data: bytes) -> int:
        """See the base class."""
        if self._host is None:
            return len(data)
        try:
            return self._host.send(data)
        except BlockingIOError:
            return 0
        except OSError:
            self._drop_host()
            return len(data)

    def close(self) -> None:
        """See the base class."""
        self._drop_host()
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def _take_host(self) -> None:
        assert self._listener is not None
        try:
            newcomer, _ = self._listener.accept()
        except (BlockingIOError, ConnectionError):
            return
        if self._host is not None:
            newcomer.close()
            return
        newcomer.setblocking(False)
        newcomer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._host = newcomer

    def _drop_host(self) -> None:
        if self._host is not None:
            with suppress(OSError):
                self._host.shutdown(socket.SHUT_RDWR)
            self._host.close()
            self._host = None
