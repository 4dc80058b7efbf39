"""One conversation with a programmer: greeting, being there, deadlines, stopping. In virtual time."""

import pytest

from daemon.clock import ManualClock
from daemon.errors import BenchError, Code
from daemon.programmers.session import Session, StoppedError, StopSignal
from daemon.transport.memory import MemoryTransport
from protocol.messages import Nothing, Range, Supply
from protocol.wire import Mode, Opcode, Status, SupplyAction
from tests.support.ports import Greeter, Silent, board
from tests.support.virtual_bench import PARTS, virtual_bench


def session_with(peer, clock=None):
    clock = clock or ManualClock()
    transport = MemoryTransport(peer, clock)
    transport.open()
    return Session(transport, clock, nonce=5), transport, clock


# Greeting


@pytest.mark.parametrize("timeout_s", [2.5, 6.0])
def test_a_silent_port_is_named_so_whoever_gives_up_first(timeout_s):
    # SPEC.md H2: the link itself gives up after 5 s.
    session, _, clock = session_with(Silent())
    with pytest.raises(BenchError) as caught:
        session.connect(timeout_s=timeout_s)
    assert caught.value.code is Code.DEVICE_SILENT
    assert "memory:0" in caught.value.message
    assert clock.monotonic_s() == pytest.approx(min(timeout_s, 5.0), abs=0.01)


def test_a_device_of_another_major_version_is_refused():
    session, _, _ = session_with(Greeter(Status.UNKNOWN_VERSION, session=0, major=2))
    with pytest.raises(BenchError) as caught:
        session.connect()
    assert caught.value.code is Code.DEVICE_VERSION
    assert "2.0" in caught.value.message


def test_a_device_with_limits_that_cannot_be_is_not_believed():
    # SPEC.md section 5: max_payload is 64 to 1024.
    session, _, _ = session_with(Greeter(max_payload=32))
    with pytest.raises(BenchError) as caught:
        session.connect()
    assert caught.value.code is Code.DEVICE_VIOLATION
    assert "32" in caught.value.message


def test_a_board_gets_time_to_start_and_what_it_prints_is_dropped():
    clock = ManualClock()
    printed = [b"Booting...\r\nok\r\n\xff\x00\x03"]

    class Prints(Silent):
        def __init__(self):
            self.board = board("SIM-1", clock, boot_s=1.5)

        def receive(self, data, now_s):
            self.board.receive(data, now_s)

        def take_output(self, now_s):
            return (printed.pop() if printed else b"") + self.board.take_output(now_s)

        def next_deadline_s(self):
            return self.board.next_deadline_s()

    session, _, _ = session_with(Prints(), clock)
    session.connect(quiet_s=2.0)
    assert session.identity.serial == "SIM-1"
    assert session.hello is not None
    assert 2.0 <= clock.monotonic_s() < 2.1


@pytest.mark.parametrize("quiet_s", [0.0, 60.0])
def test_connecting_can_be_stopped_at_once(quiet_s):
    session, _, clock = session_with(Silent())
    stop = StopSignal()
    session.attend(stop)
    stop.ask()
    with pytest.raises(StoppedError):
        session.connect(quiet_s=quiet_s)
    assert clock.monotonic_s() < 0.3


# Being there


def connected(clock=None):
    clock = clock or ManualClock()
    peer = board("SIM-1", clock)
    session, transport, _ = session_with(peer, clock)
    session.connect()
    return session, transport, clock, peer


def listen_for(session, clock, duration_s):
    until_s = clock.monotonic_s() + duration_s
    while clock.monotonic_s() < until_s:
        session.listen(0.5)


def test_an_idle_programmer_is_asked_now_and_then_and_stays():
    session, _, clock, _ = connected()
    before = session.counters.frames_out
    listen_for(session, clock, 60)
    assert session.alive
    assert 15 <= session.counters.frames_out - before <= 25


def test_an_idle_programmer_that_restarted_is_noticed():
    session, _, clock, peer = connected()
    peer.reset(clock.monotonic_s())
    with pytest.raises(BenchError) as caught:
        listen_for(session, clock, 60)
    assert caught.value.code is Code.LINK_LOST
    assert clock.monotonic_s() < 15
    assert not session.alive


def test_an_idle_programmer_that_was_switched_off_behind_its_adapter_is_noticed():
    session, transport, clock, _ = connected()
    transport.replug(Silent())
    with pytest.raises(BenchError) as caught:
        listen_for(session, clock, 60)
    assert caught.value.code is Code.LINK_LOST
    assert clock.monotonic_s() < 15


def test_an_idle_programmer_that_was_unplugged_is_noticed_at_once():
    session, transport, _, _ = connected()
    transport.unplug()
    with pytest.raises(BenchError) as caught:
        session.listen(0.5)
    assert caught.value.code is Code.PORT_LOST


# Deadlines and stopping


def test_a_programmer_that_does_not_finish_is_given_up_and_its_supplies_are_off(tmp_path):
    part = PARTS.get("st-m27c512")
    with virtual_bench(tmp_path, part.id) as bench:
        socketed = bench.socketed(part)
        socketed.set_up()
        socketed.power(5000)
        # 65,536 words of 1 us take longer than a hundredth of a second.
        with pytest.raises(BenchError) as caught:
            bench.session.request(Opcode.DIGEST, Range(0, part.words, Mode.READ, 5000), timeout_s=0.01)
        assert caught.value.code is Code.STEP_TIMEOUT
        assert bench.session.alive
        assert bench.supplies_off


def test_an_exception_from_a_callback_stops_what_is_under_way(tmp_path):
    class OwnError(Exception):
        pass

    def fail(completed):
        raise OwnError

    with virtual_bench(tmp_path, "st-m27c512") as bench:
        socketed = bench.socketed(PARTS.get("st-m27c512"))
        socketed.set_up()
        socketed.power(5000)
        with pytest.raises(OwnError):
            bench.session.stream([(Opcode.MEASURE, Nothing())] * 20, fail, timeout_s=5)
        assert bench.supplies_off
        assert bench.session.request(Opcode.MEASURE, Nothing(), timeout_s=5).status is Status.OK


def test_a_signal_given_before_the_work_begins_is_not_forgotten(tmp_path):
    with virtual_bench(tmp_path, "st-m27c512") as bench:
        stop = StopSignal()
        stop.ask()
        bench.session.attend(stop)
        with pytest.raises(StoppedError):
            bench.session.request(Opcode.MEASURE, Nothing(), timeout_s=5)
        bench.session.attend(StopSignal())
        off = Supply(SupplyAction.DISCHARGE, 0, 0)
        assert bench.session.request(Opcode.SUPPLY, off, timeout_s=5).status is Status.OK


def test_a_device_that_does_not_even_answer_abort_is_hung_up_on():
    session, transport, clock, _ = connected()
    transport.replug(Silent())
    session.abort()
    assert not transport.is_open
    assert not session.alive
    with pytest.raises(BenchError) as caught:
        session.request(Opcode.MEASURE, Nothing(), timeout_s=5)
    assert caught.value.code is Code.LINK_LOST
    # SPEC.md section 9: six expiries with nothing heard.
    assert clock.monotonic_s() < 13
