"""A programmer behind a plain TCP socket.

Used only for what the configuration file names as tcp://host:port, and for a simulator's own port where the
system has no pseudo-terminals. The caller sees to that: text from a client must never come here, since it
would make the daemon connect wherever a stranger points it.
"""

import socket
from contextlib import suppress
from urllib.parse import urlsplit

from daemon.transport.base import WRITE_TIMEOUT_S
from daemon.transport.port_errors import port_missing, port_unusable
from daemon.transport.selected import SelectedTransport

CONNECT_TIMEOUT_S = 3.0


def parse_tcp_path(path: str) -> tuple[str, int]:
    """Split `tcp://host:port` (an IPv6 host in brackets) into host and port; `port-unusable` otherwise."""
    try:
        parts = urlsplit(path)
        host, port = parts.hostname, parts.port
    except ValueError as error:
        raise port_unusable(path, error) from error
    rest = (parts.path, parts.query, parts.fragment, parts.username, parts.password)
    if parts.scheme != "tcp" or not host or not port or any(rest):
        raise port_unusable(path, "it should read tcp://host:port")
    return host, port


class TcpTransport(SelectedTransport):
    """Connects to `tcp://host:port` and sends small frames at once (TCP_NODELAY)."""

    def __init__(self, path: str, *, write_timeout_s: float = WRITE_TIMEOUT_S) -> None:
        """Only checks the form of `path` (`port-unusable`); nothing is connected yet."""
        super().__init__(write_timeout_s=write_timeout_s)
        self._path = path
        self._address = parse_tcp_path(path)
        self._socket: socket.socket | None = None

    @property
    def path(self) -> str:
        """See the base class."""
        return self._path

    @property
    def description(self) -> str:
        """See the base class."""
        return f"network port {self._address[1]} on {self._address[0]}"

    def _connect(self) -> None:
        # A close from another thread waits for this: CONNECT_TIMEOUT_S per address of the host at worst.
        try:
            connection = socket.create_connection(self._address, CONNECT_TIMEOUT_S)
        except OSError as error:
            raise port_missing(self._path, error.strerror or str(error)) from error
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.setblocking(False)
        self._socket = connection

    def _fileno(self) -> int:
        assert self._socket is not None
        return self._socket.fileno()

    def _receive(self, size: int) -> bytes:
        assert self._socket is not None
        return self._socket.recv(size)

    def _send(self, data: memoryview) -> int:
        assert self._socket is not None
        return self._socket.send(data)

    def _disconnect(self) -> None:
        assert self._socket is not None
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        self._socket = None
