"""What every transport must do, whatever carries the bytes: subclass `TransportContract` and give a `Bench`.

Times are real but short, except in memory, where they are virtual.
"""

import random
import threading
import time
from typing import Protocol

import pytest

from daemon.errors import BenchError, Code
from daemon.transport.base import READ_BYTES_MAX, Transport

PATIENCE_S = 5.0  # how long a slow machine may take before a test fails


class Bench(Protocol):
    """A transport, not yet open, and the far end of it."""

    virtual: bool

    @property
    def transport(self) -> Transport:
        """The one under test."""

    def peer_sends(self, data: bytes) -> None:
        """Let the far end send, without waiting for the transport to read."""

    def peer_received(self, size: int) -> bytes:
        """Return the next `size` bytes that the far end got."""

    def vanish(self) -> None:
        """Take the far end away for good."""


def read_all(transport: Transport, size: int) -> bytes:
    data = bytearray()
    give_up_s = time.monotonic() + PATIENCE_S
    while len(data) < size:
        piece = transport.read(0.05)
        assert len(piece) <= READ_BYTES_MAX
        data += piece
        assert time.monotonic() < give_up_s, f"only {len(data)} of {size} bytes came"
    return bytes(data)


class TransportContract:
    @pytest.fixture
    def bench(self) -> Bench:
        raise NotImplementedError

    def test_a_new_transport_is_closed_and_touches_nothing(self, bench: Bench) -> None:
        assert not bench.transport.is_open
        with pytest.raises(BenchError) as caught:
            bench.transport.read(0)
        assert caught.value.code is Code.PORT_CLOSED
        with pytest.raises(BenchError) as caught:
            bench.transport.write(b"x")
        assert caught.value.code is Code.PORT_CLOSED
        bench.transport.wake()
        bench.transport.close()

    def test_open_and_close_twice_and_open_again(self, bench: Bench) -> None:
        transport = bench.transport
        for _ in range(2):
            transport.open()
            transport.open()
            assert transport.is_open
            transport.write(b"hello")
            assert bench.peer_received(5) == b"hello"
            transport.close()
            transport.close()
            assert not transport.is_open

    def test_it_names_itself(self, bench: Bench) -> None:
        assert bench.transport.path
        assert bench.transport.path in bench.transport.description or bench.transport.path.startswith("tcp:")

    def test_a_read_times_out(self, bench: Bench) -> None:
        bench.transport.open()
        begin_s = time.monotonic()
        assert bench.transport.read(0) == b""
        assert bench.transport.read(0.03) == b""
        assert time.monotonic() - begin_s >= (0.0 if bench.virtual else 0.029)
        bench.transport.close()

    def test_bytes_reach_the_far_end_and_come_back(self, bench: Bench) -> None:
        bench.transport.open()
        bench.transport.write(bytes(range(256)))  # every value: nothing on the way translates
        assert bench.peer_received(256) == bytes(range(256))
        bench.peer_sends(bytes(range(255, -1, -1)))
        assert read_all(bench.transport, 256) == bytes(range(255, -1, -1))
        bench.transport.write(b"")
        bench.transport.close()

    def test_a_read_returns_as_soon_as_a_byte_is_there(self, bench: Bench) -> None:
        bench.transport.open()
        bench.peer_sends(b"\x00")
        begin_s = time.monotonic()
        assert bench.transport.read(PATIENCE_S) == b"\x00"
        assert time.monotonic() - begin_s < PATIENCE_S / 2
        bench.transport.close()

    def test_what_came_before_opening_again_is_dropped_or_nothing(self, bench: Bench) -> None:
        bench.transport.open()
        bench.peer_sends(b"old")
        assert read_all(bench.transport, 3) == b"old"
        bench.transport.close()
        bench.transport.open()
        assert bench.transport.read(0) == b""
        bench.transport.close()

    def test_big_transfers_arrive_intact(self, bench: Bench) -> None:
        up, down = (random.Random(seed).randbytes(300_000) for seed in (1, 2))
        bench.transport.open()
        bench.peer_sends(down)
        assert read_all(bench.transport, len(down)) == down
        collected: list[bytes] = []
        reader = threading.Thread(target=lambda: collected.append(bench.peer_received(len(up))))
        if not bench.virtual:
            reader.start()
        for begin in range(0, len(up), READ_BYTES_MAX):
            bench.transport.write(up[begin : begin + READ_BYTES_MAX])
        if bench.virtual:
            reader.start()
        reader.join(PATIENCE_S)
        assert collected == [up]
        bench.transport.close()

    def test_close_from_another_thread_ends_a_read(self, bench: Bench) -> None:
        bench.transport.open()
        outcome = self._read_in_thread(bench, bench.transport.close)
        if not bench.virtual:  # in virtual time the read is over before anyone could close
            assert isinstance(outcome, BenchError)
            assert outcome.code is Code.PORT_CLOSED
        assert not bench.transport.is_open

    def test_wake_from_another_thread_ends_a_read(self, bench: Bench) -> None:
        bench.transport.open()
        assert self._read_in_thread(bench, bench.transport.wake) == b""
        bench.transport.write(b"still open")
        assert bench.peer_received(10) == b"still open"
        bench.transport.close()

    def test_wake_before_a_read_ends_it_and_only_it(self, bench: Bench) -> None:
        bench.transport.open()
        bench.transport.wake()
        begin_s = time.monotonic()
        assert bench.transport.read(60.0) == b""
        assert time.monotonic() - begin_s < PATIENCE_S
        bench.peer_sends(b"next")
        assert read_all(bench.transport, 4) == b"next"
        bench.transport.close()

    def test_a_far_end_that_vanishes_is_a_lost_port(self, bench: Bench) -> None:
        bench.transport.open()
        bench.vanish()
        with pytest.raises(BenchError) as caught:
            bench.transport.read(PATIENCE_S)
        assert caught.value.code is Code.PORT_LOST
        assert caught.value.hint
        bench.transport.close()
        assert not bench.transport.is_open

    def test_writing_to_a_far_end_that_vanished_is_a_lost_port(self, bench: Bench) -> None:
        bench.transport.open()
        bench.vanish()
        with pytest.raises(BenchError) as caught:
            self._write_until_it_fails(bench)
        assert caught.value.code is Code.PORT_LOST
        bench.transport.close()

    def _write_until_it_fails(self, bench: Bench) -> None:
        """TCP learns that nobody is there by the answer to its first bytes, so once is not enough."""
        for _ in range(50):
            bench.transport.write(b"x" * 100)
            bench.transport.read(0.01)

    def _read_in_thread(self, bench: Bench, interrupt: object) -> object:
        """Start a read of a minute, interrupt it, and return its result or its error."""
        assert callable(interrupt)
        outcome: list[object] = []
        started = threading.Event()

        def read() -> None:
            started.set()
            try:
                outcome.append(bench.transport.read(60.0))
            except BenchError as error:
                outcome.append(error)

        reader = threading.Thread(target=read)
        reader.start()
        assert started.wait(PATIENCE_S)
        begin_s = time.monotonic()
        interrupt()
        reader.join(PATIENCE_S)
        assert not reader.is_alive()
        assert time.monotonic() - begin_s < PATIENCE_S
        return outcome[0]
