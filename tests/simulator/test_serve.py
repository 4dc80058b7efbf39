"""A virtual programmer on a real port: opened, closed and opened again as hardware is."""

import os
import select
import socket
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from protocol.descriptor import encode_descriptor
from protocol.messages import Nothing, Range, Read, Setup, Supply
from protocol.wire import EventCode, Fault, Kind, Mode, Opcode, Status, SupplyAction
from simulator.endpoints import Endpoint, TcpEndpoint
from simulator.paced_line import PacedLine
from simulator.programmer import VirtualProgrammer, full
from simulator.serve import ServedProgrammer
from simulator.socket import Socket
from tests.support.device_rig import FakeBus, Got, RawHost, make_part

KINDS = ["tcp"] if sys.platform == "win32" else ["tcp", "pty"]
PATIENCE_S = 10.0


def endpoint(kind: str) -> Endpoint:
    if kind == "tcp":
        return TcpEndpoint()
    from simulator.pseudo_terminal import PseudoTerminal

    return PseudoTerminal()


@contextmanager
def served(kind: str, **options: float) -> Iterator[tuple[ServedProgrammer, FakeBus]]:
    bus = FakeBus()
    programmer = VirtualProgrammer(full("served"), Socket(48), make_bus=lambda _part: bus)
    server = ServedProgrammer(programmer, endpoint(kind), **options)  # type: ignore[arg-type]
    server.start()
    try:
        yield server, bus
    finally:
        server.stop()


class PortHost(RawHost):
    """A raw host at a port, by plain descriptors."""

    def __init__(self, port: str) -> None:
        super().__init__(None)
        self.port = port
        self._socket: socket.socket | None = None
        self._file = -1

    def __enter__(self) -> "PortHost":
        if self.port.startswith("tcp://"):
            host, _, port = self.port.removeprefix("tcp://").partition(":")
            self._socket = socket.create_connection((host, int(port)), PATIENCE_S)
            self._file = self._socket.fileno()
        else:
            self._file = os.open(self.port, os.O_RDWR | os.O_NOCTTY)
        return self

    def __exit__(self, *_: object) -> None:
        if self._socket is not None:
            self._socket.close()
        else:
            os.close(self._file)

    def put(self, data: bytes) -> None:
        if self._socket is not None:
            self._socket.sendall(data)
        else:
            while data:
                data = data[os.write(self._file, data) :]

    def wait_for(self, kind: Kind, count: int = 1) -> list[Got]:
        """Read until `count` frames of a kind have come."""
        got: list[Got] = []
        end_s = time.monotonic() + PATIENCE_S
        while sum(frame.kind is kind for frame in got) < count:
            left_s = end_s - time.monotonic()
            assert left_s > 0, f"waited for {kind.name}, got {[frame.kind.name for frame in got]}"
            readable, _, _ = select.select([self._file], [], [], left_s)
            if readable:
                self._arrived = (
                    self._socket.recv(65536) if self._socket is not None else os.read(self._file, 65536)
                )
                got += self.collect()
        return got

    _arrived = b""

    def _taken(self) -> bytes:
        data, self._arrived = self._arrived, b""
        return data

    def send_bytes(self, data: bytes) -> list[Got]:
        self.put(data)
        return []

    def greet(self) -> Got:
        self.put(b"\x00")
        self.hello()
        (reply,) = self.wait_for(Kind.REPLY)
        self.take_over([reply])
        return reply

    def ask(self, opcode: Opcode, message: object = b"") -> Got:
        self.request(opcode, message)
        return self.wait_for(Kind.RESULT)[-1]

    def ready(self) -> None:
        self.greet()
        data = encode_descriptor(make_part())
        assert self.ask(Opcode.SETUP, Setup(1, len(data), 0, data)).status is Status.OK
        assert self.ask(Opcode.SUPPLY, Supply(SupplyAction.APPLY, 5000, 0)).status is Status.OK


@pytest.mark.parametrize("kind", KINDS)
def test_it_is_reached_by_its_port(kind: str) -> None:
    with served(kind) as (server, _), PortHost(server.port) as host:
        reply = host.greet()
        assert (reply.status, reply.detail.major) == (Status.OK, 1)
        assert host.ask(Opcode.MEASURE, Nothing()).detail.vcc_mv == 0


@pytest.mark.parametrize("kind", KINDS)
def test_the_port_survives_hosts_that_come_and_go(kind: str) -> None:
    with served(kind) as (server, _):
        port = server.port
        for _ in range(3):
            with PortHost(port) as host:
                host.nonce = int(time.monotonic_ns() & 0xFFFF_FFF0)
                host.greet()
                assert host.ask(Opcode.MEASURE, Nothing()).status is Status.OK
        assert server.port == port


@pytest.mark.parametrize("kind", KINDS)
def test_every_byte_value_passes_both_ways(kind: str) -> None:
    with served(kind, speed=20) as (server, bus), PortHost(server.port) as host:
        bus.cells[:] = [value % 256 for value in range(2048)]
        host.ready()
        host.request(Opcode.READ, Read(0, 2048, Mode.READ, 5000, 100))
        got = host.wait_for(Kind.RESULT)
        data = b"".join(frame.content[2:] for frame in got if frame.kind is Kind.DATA)
        assert data == bytes(range(256)) * 8


def test_it_keeps_real_time_and_its_speed() -> None:
    for speed in (1.0, 10.0):
        with served("tcp", speed=speed) as (server, _), PortHost(server.port) as host:
            host.greet()
            host.ready()
            begun_s = time.monotonic()
            # 2048 words of 1 µs each, 50 times over: 0.1 s of the board's time.
            for _ in range(50):
                host.ask(Opcode.BLANK, Range(0, 2048, Mode.READ, 5000))
            took_s = time.monotonic() - begun_s
            assert took_s >= 50 * 0.002048 / speed


def test_the_watchdog_keeps_to_the_hosts_time_at_any_speed() -> None:
    with served("tcp", speed=50) as (server, _), PortHost(server.port) as host:
        host.ready()
        begun_s = time.monotonic()
        (event,) = host.wait_for(Kind.EVENT)
        assert 0.9 < time.monotonic() - begun_s < 5.0
        assert server.look(lambda board, now_s: board.faults) is Fault.WATCHDOG
        assert event.content[0] == EventCode.FAULT


def test_hands_on_the_board_from_another_thread() -> None:
    with served("tcp") as (server, _), PortHost(server.port) as host:
        host.greet()
        hands = threading.Thread(
            target=lambda: (server.press_button(), server.open_socket(), server.close_socket())
        )
        hands.start()
        got = host.wait_for(Kind.EVENT, 3)
        hands.join()
        assert [frame.content[0] for frame in got] == [
            EventCode.BUTTON,
            EventCode.SOCKET_OPENED,
            EventCode.SOCKET_CLOSED,
        ]
        boot_id = host.frames[0].detail.boot_id
        server.reset()
        assert host.greet().detail.boot_id == boot_id + 1


def test_a_second_host_is_hung_up_on() -> None:
    with served("tcp") as (server, _), PortHost(server.port) as host:
        host.greet()
        with PortHost(server.port) as other:
            assert other._socket is not None
            assert other._socket.recv(1) == b""
        assert host.ask(Opcode.MEASURE, Nothing()).status is Status.OK


@pytest.mark.parametrize("kind", KINDS)
def test_it_stops_at_once_and_sleeps_when_idle(kind: str) -> None:
    bus = FakeBus()
    programmer = VirtualProgrammer(full("served"), Socket(48), make_bus=lambda _part: bus)
    server = ServedProgrammer(programmer, endpoint(kind))
    looks = 0
    take_output = programmer.take_output

    def counted(now_s: float) -> bytes:
        nonlocal looks
        looks += 1
        return take_output(now_s)

    programmer.take_output = counted  # type: ignore[method-assign]
    server.start()
    with PortHost(server.port) as host:
        host.greet()
        # On a busy machine HELLO may have been repeated; its second answer is let pass first.
        while select.select([host._file], [], [], 0.1)[0]:
            os.read(host._file, 4096)
        before = looks
        # Silence for a while: the host waits for something that does not come.
        assert select.select([host._file], [], [], 0.3)[0] == []
        assert looks - before <= 3, "nobody looks while nothing is to be done"
        begun_s = time.monotonic()
        server.stop()
        assert time.monotonic() - begun_s < 2.0  # 0.02 s on a quiet machine; room for a busy one
    server.stop()


def test_a_paced_line_lets_bytes_through_at_its_rate() -> None:
    # 9600 baud, ten bits a byte: 960 bytes a second.
    line = PacedLine(9600)
    line.put(bytes(range(96)), 1.0)
    assert line.take(1.0) == b""
    assert line.take(1.05) == bytes(range(48))
    due_s = line.due_s()
    assert due_s is not None
    assert len(line.take(due_s)) >= 1
    line.put(b"x" * 96, 1.06)
    assert len(line.take(1.2)) >= 140
    assert len(line) == 0
    assert line.due_s() is None
    at_once = PacedLine(0)
    at_once.put(b"abc", 5.0)
    assert at_once.due_s() == 5.0
    assert at_once.take(5.0) == b"abc"


def test_a_served_line_can_be_as_slow_as_a_real_one() -> None:
    with served("tcp", baud=38400) as (server, _), PortHost(server.port) as host:
        host.ready()
        begun_s = time.monotonic()
        host.request(Opcode.READ, Read(0, 1024, Mode.READ, 5000, 256))
        host.wait_for(Kind.RESULT)
        # 4 blocks of 268 bytes (SPEC.md section 2) at 3840 bytes a second.
        assert time.monotonic() - begun_s >= 4 * 268 / 3840
