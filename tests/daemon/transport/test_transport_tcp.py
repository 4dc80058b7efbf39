import socket
import threading
from contextlib import suppress

import pytest

from daemon.errors import BenchError, Code
from daemon.transport.tcp import TcpTransport, parse_tcp_path
from tests.daemon.transport.contract import PATIENCE_S, Bench, TransportContract


class TcpBench:
    virtual = False

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(PATIENCE_S)
        self.transport = TcpTransport(f"tcp://127.0.0.1:{self._server.getsockname()[1]}")
        self._peer: socket.socket | None = None
        self._senders: list[threading.Thread] = []

    def peer(self) -> socket.socket:
        """Return the far end of the newest connection."""
        self._server.setblocking(self._peer is None)
        with suppress(BlockingIOError):
            newest, _ = self._server.accept()
            if self._peer is not None:
                self._peer.close()
            newest.settimeout(PATIENCE_S)
            self._peer = newest
        assert self._peer is not None
        return self._peer

    def peer_sends(self, data: bytes) -> None:
        sender = threading.Thread(target=self.peer().sendall, args=(data,))
        sender.start()
        self._senders.append(sender)

    def peer_received(self, size: int) -> bytes:
        data = bytearray()
        peer = self.peer()
        while len(data) < size:
            piece = peer.recv(size - len(data))
            assert piece
            data += piece
        return bytes(data)

    def vanish(self) -> None:
        self.peer().close()
        self._server.close()

    def end(self) -> None:
        self.transport.close()
        for sender in self._senders:
            sender.join(PATIENCE_S)
        if self._peer is not None:
            self._peer.close()
        self._server.close()


@pytest.fixture
def tcp() -> object:
    bench = TcpBench()
    yield bench
    bench.end()


class TestTcpContract(TransportContract):
    @pytest.fixture
    def bench(self, tcp: TcpBench) -> Bench:
        return tcp


def test_small_frames_are_sent_at_once(tcp: TcpBench) -> None:
    tcp.transport.open()
    connection = tcp.transport._socket
    assert connection is not None
    assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


def test_nobody_listening_is_a_missing_port() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    transport = TcpTransport(f"tcp://127.0.0.1:{port}")
    with pytest.raises(BenchError) as caught:
        transport.open()
    assert caught.value.code is Code.PORT_MISSING
    assert str(port) in caught.value.message
    assert not transport.is_open


def write_for_ever(transport: TcpTransport, size: int) -> None:
    while True:
        transport.write(bytes(size))


def test_a_far_end_that_reads_nothing_times_the_write_out(tcp: TcpBench) -> None:
    transport = TcpTransport(tcp.transport.path, write_timeout_s=0.05)
    transport.open()
    with pytest.raises(BenchError) as caught:
        write_for_ever(transport, 65_536)
    assert caught.value.code is Code.PORT_WRITE_TIMEOUT
    assert 0 < caught.value.details["unsent_bytes"] <= 65_536
    transport.close()


def test_close_ends_a_write_that_waits(tcp: TcpBench) -> None:
    transport = TcpTransport(tcp.transport.path, write_timeout_s=60.0)
    transport.open()
    outcome: list[object] = []

    def fill() -> None:
        try:
            transport.write(bytes(1 << 26))  # far more than the system's buffers hold
        except BenchError as error:
            outcome.append(error.code)

    writer = threading.Thread(target=fill)
    writer.start()
    assert tcp.peer_received(1) == b"\0"  # it has begun
    transport.close()
    writer.join(PATIENCE_S)
    assert outcome == [Code.PORT_CLOSED]


@pytest.mark.parametrize(
    ("path", "address"),
    [
        ("tcp://localhost:7000", ("localhost", 7000)),
        ("tcp://10.0.0.7:1", ("10.0.0.7", 1)),
        ("tcp://[::1]:7000", ("::1", 7000)),
    ],
)
def test_addresses_that_are_understood(path: str, address: tuple[str, int]) -> None:
    assert parse_tcp_path(path) == address


@pytest.mark.parametrize(
    "path",
    [
        "", "localhost:7000", "tcp://localhost", "tcp://:7000", "tcp://localhost:0", "tcp://localhost:70000",
        "tcp://localhost:x", "http://localhost:80", "tcp://user@localhost:7000", "tcp://localhost:7000/x",
        "tcp://localhost:7000?file=x", "socket://localhost:7000", "spy://dev?file=/tmp/x", "/dev/ttyS0",
    ],
)  # fmt: skip
def test_addresses_that_are_refused_before_anything_is_opened(path: str) -> None:
    with pytest.raises(BenchError) as caught:
        TcpTransport(path)
    assert caught.value.code is Code.PORT_UNUSABLE
