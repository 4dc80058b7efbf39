from collections import deque
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.clock import ManualClock
from daemon.errors import BenchError, Code
from daemon.transport.memory import Direction, MemoryTransport, Wire
from tests.daemon.transport.contract import Bench, TransportContract


class QueuePeer:
    """Keeps what it gets with the time, and sends what it was told to at the times it was told to."""

    def __init__(self) -> None:
        self.received: list[tuple[Any, bytes]] = []
        self.planned: deque[tuple[float, bytes]] = deque()
        self.seen_s: list[float] = []

    def receive(self, data: bytes, now_s: float) -> None:
        self.seen_s.append(now_s)
        self.received.append((now_s, data))

    def take_output(self, now_s: float) -> bytes:
        self.seen_s.append(now_s)
        due = []
        while self.planned and self.planned[0][0] <= now_s:
            due.append(self.planned.popleft()[1])
        return b"".join(due)

    def next_deadline_s(self) -> float | None:
        return self.planned[0][0] if self.planned else None


class EchoPeer(QueuePeer):
    """Answers each arrival after a fixed time."""

    def __init__(self, after_s: float) -> None:
        super().__init__()
        self.after_s = after_s

    def receive(self, data: bytes, now_s: float) -> None:
        super().receive(data, now_s)
        self.planned.append((now_s + self.after_s, data))


class MemoryBench:
    virtual = True

    def __init__(self) -> None:
        self.clock = ManualClock()
        self.peer = QueuePeer()
        self.transport = MemoryTransport(self.peer, self.clock)
        self._taken = bytearray()

    def peer_sends(self, data: bytes) -> None:
        self.peer.planned.append((self.clock.monotonic_s(), data))

    def peer_received(self, size: int) -> bytes:
        self._taken += b"".join(data for _, data in self.peer.received)
        self.peer.received.clear()
        assert len(self._taken) >= size
        data = bytes(self._taken[:size])
        del self._taken[:size]
        return data

    def vanish(self) -> None:
        self.transport.unplug()


class TestMemoryContract(TransportContract):
    @pytest.fixture
    def bench(self) -> Bench:
        return MemoryBench()


def joined(peer: QueuePeer, wire: Wire | None = None) -> tuple[MemoryTransport, ManualClock]:
    clock = ManualClock()
    transport = MemoryTransport(peer, clock, wire=wire)
    transport.open()
    return transport, clock


def test_a_timeout_takes_exactly_its_virtual_time() -> None:
    transport, clock = joined(QueuePeer())
    assert transport.read(3600.0) == b""
    assert clock.monotonic_s() == pytest.approx(3600.0)


def test_the_clock_stops_at_the_peers_deadline() -> None:
    peer = QueuePeer()
    transport, clock = joined(peer)
    peer.planned.append((0.25, b"pulse done"))
    assert transport.read(10.0) == b"pulse done"
    assert clock.monotonic_s() == pytest.approx(0.25)


def test_bytes_take_ten_bit_times_each_way_and_the_latencies() -> None:
    peer = EchoPeer(after_s=0.010)
    transport, clock = joined(peer, Wire(baud=1000, latency_to_device_s=0.003, latency_to_host_s=0.005))
    transport.write(b"abcd")
    assert clock.monotonic_s() == 0.0  # a write only hands the bytes over
    assert transport.read(5.0) == b"abcd"
    # 4 bytes of 10 bits at 1000 baud are 40 ms: out at 43 ms, answered at 53 ms, back at 53 + 40 + 5 ms.
    assert peer.received == [(pytest.approx(0.043), b"abcd")]
    assert clock.monotonic_s() == pytest.approx(0.098)


def test_both_directions_run_at_once() -> None:
    peer = QueuePeer()
    transport, clock = joined(peer, Wire(baud=1000))
    peer.planned.append((0.0, b"down"))
    transport.write(b"away")
    assert transport.read(1.0) == b"down"
    assert clock.monotonic_s() == pytest.approx(0.040)
    transport.read(0.0)
    assert b"".join(data for _, data in peer.received) == b"away"


def test_writes_queue_on_the_line() -> None:
    peer = QueuePeer()
    transport, _ = joined(peer, Wire(baud=1000))
    transport.write(b"one")
    transport.write(b"two")
    transport.read(1.0)
    assert peer.received == [(pytest.approx(0.030), b"one"), (pytest.approx(0.060), b"two")]


def test_a_frame_arrives_with_its_last_byte_and_not_with_the_write_it_was_in() -> None:
    peer = QueuePeer()
    transport, _ = joined(peer, Wire(baud=1000))
    transport.write(b"ab\x00cdef\x00")
    transport.read(1.0)
    assert peer.received == [(pytest.approx(0.030), b"ab\x00"), (pytest.approx(0.080), b"cdef\x00")]


def test_time_moved_by_others_is_worked_off_in_order_at_its_own_times() -> None:
    peer = EchoPeer(after_s=0.010)
    transport, clock = joined(peer, Wire(baud=1000))
    transport.write(b"ab")
    clock.advance_s(5.0)
    assert transport.read(0.0) == b"ab"
    assert peer.received == [(pytest.approx(0.020), b"ab")]
    assert peer.seen_s == sorted(peer.seen_s)


def test_what_comes_while_closed_is_lost() -> None:
    peer = QueuePeer()
    transport, clock = joined(peer)
    transport.close()
    peer.planned.append((1.0, b"nobody listens"))
    clock.advance_s(2.0)
    transport.open()
    assert transport.read(1.0) == b""


def test_unplugged_then_plugged_in_again_with_a_fresh_device() -> None:
    peer = QueuePeer()
    transport, _ = joined(peer, Wire(baud=1000))
    transport.write(b"never arrives")
    transport.unplug()
    with pytest.raises(BenchError) as caught:
        transport.read(1.0)
    assert caught.value.code is Code.PORT_LOST
    transport.close()
    with pytest.raises(BenchError) as caught:
        transport.open()
    assert caught.value.code is Code.PORT_MISSING
    fresh = EchoPeer(after_s=0.0)
    transport.replug(fresh)
    transport.open()
    transport.write(b"hi")
    assert transport.read(1.0) == b"hi"
    assert peer.received == []


def test_a_replug_alone_does_not_bring_an_open_port_back() -> None:
    transport, _ = joined(QueuePeer())
    transport.unplug()
    transport.replug()
    with pytest.raises(BenchError) as caught:
        transport.write(b"x")
    assert caught.value.code is Code.PORT_LOST


def test_a_stalled_driver_times_out_in_virtual_time() -> None:
    peer = QueuePeer()
    transport, clock = joined(peer)
    transport.stall()
    with pytest.raises(BenchError) as caught:
        transport.write(b"xyz")
    assert caught.value.code is Code.PORT_WRITE_TIMEOUT
    assert caught.value.details["unsent_bytes"] == 3
    assert clock.monotonic_s() == pytest.approx(2.0)
    transport.stall(False)
    transport.write(b"xyz")
    assert peer.received[0][1] == b"xyz"


def test_a_fault_can_lose_damage_repeat_split_and_hold_up() -> None:
    peer = QueuePeer()
    transport, _ = joined(peer)
    calls: list[tuple[Direction, bytes, float]] = []

    def bad_line(direction: Direction, data: bytes, now_s: float) -> list[tuple[float, bytes]]:
        calls.append((direction, data, now_s))
        return {
            b"lose": [],
            b"twice": [(0.0, b"twice"), (0.5, b"twice")],
            b"cut": [(0.1, b"c"), (0.2, b"ut")],
        }[data]

    transport.fault = bad_line
    for text in (b"lose", b"twice", b"cut"):
        transport.write(text)
    transport.read(2.0)
    # "cut" waits behind the repeated frame, which leaves at 0.5 s: a line keeps its order.
    assert peer.received == [(0.0, b"twice"), (pytest.approx(0.5), b"twicecut")]
    assert [call[0] for call in calls] == [Direction.TO_DEVICE] * 3


def test_a_fault_sees_what_the_device_sends_too() -> None:
    peer = EchoPeer(after_s=0.1)
    transport, clock = joined(peer)
    transport.fault = lambda direction, data, _now_s: (
        [(0.2, data.upper())] if direction is Direction.TO_HOST else [(0.0, data)]
    )
    transport.write(b"ab")
    assert transport.read(1.0) == b"AB"
    assert clock.monotonic_s() == pytest.approx(0.3)


def test_a_peer_that_never_finishes_is_called_out() -> None:
    class Stuck(QueuePeer):
        def next_deadline_s(self) -> float | None:
            return 0.0

    with pytest.raises(RuntimeError, match="stays due"):
        joined(Stuck())


@given(
    writes=st.lists(st.binary(max_size=300), max_size=12),
    baud=st.sampled_from([None, 9600, 115_200]),
    latency_s=st.sampled_from([0.0, 0.001, 0.016]),
)
def test_every_byte_arrives_once_in_order_and_no_faster_than_the_line(
    writes: list[bytes], baud: int | None, latency_s: float
) -> None:
    peer = EchoPeer(after_s=0.0001)
    transport, clock = joined(peer, Wire(baud, latency_s, latency_s))
    sent = b"".join(writes)
    for data in writes:
        transport.write(data)
    back = bytearray()
    while len(back) < len(sent):
        piece = transport.read(10.0)
        assert piece
        back += piece
    assert back == sent
    if sent:
        line_s = len(sent) * 10 / baud if baud else 0.0
        assert clock.monotonic_s() >= 2 * latency_s + 0.0001 + line_s - 1e-9
        assert clock.monotonic_s() <= 2 * latency_s + 2 * line_s + 0.01
    assert peer.seen_s == sorted(peer.seen_s)
