"""The thread of one port: it reaches what is there, keeps trying, and can always be ended."""

import itertools
import threading
import time

import pytest

from daemon.discovery import Candidate
from daemon.errors import BenchError, Code
from daemon.programmers.port_worker import Pauses, PortWorker
from daemon.programmers.views import ProgrammerState
from daemon.transport.base import PortKind
from daemon.transport.port_errors import port_lost, port_permission
from tests.support.ports import QUICK, Ports, Silent, board, until

PATH = "/dev/ttyUSB7"
BAUDS = (115_200, 500_000, 1_000_000)


class Reports:
    """A desk that notes what a worker tells, with the work that a test hands in."""

    def __init__(self):
        self.told = []
        self.jobs = []
        self.trouble = None

    def connected(self, worker, session):
        self.told.append(("connected", session.identity.serial))
        return session.identity.serial

    def changed(self, worker):
        self.told.append((worker.state, worker.problem and worker.problem.code))

    def work(self, worker, session):
        if not self.jobs:
            return False
        self.jobs.pop(0)(worker, session)
        return True


@pytest.fixture
def ports():
    return Ports()


@pytest.fixture
def start(ports):
    """Start workers; they end with the test."""
    started = []

    def go(desk, path=PATH, pauses=QUICK, bauds=BAUDS):
        worker = PortWorker(ports.candidates[path], desk, ports.clock, ports.transport, bauds, pauses)
        started.append(worker)
        worker.start()
        return worker

    yield go
    for worker in started:
        worker.ask_to_stop()
    for worker in started:
        assert worker.join(5)


def test_a_programmer_that_answers_is_ready(ports, start):
    ports.plug(PATH, board("A1", ports.clock))
    desk = Reports()
    worker = start(desk)
    until(lambda: worker.state is ProgrammerState.READY)
    assert desk.told == [("connected", "A1"), (ProgrammerState.READY, None)]
    assert worker.programmer_id == "A1"
    assert worker.problem is None


def test_a_serial_port_is_tried_at_each_rate_and_first_at_the_one_that_was_answered(ports, start):
    ports.listens_at = 500_000
    ports.plug(PATH, board("A1", ports.clock), PortKind.SERIAL)
    worker = start(Reports())
    until(lambda: worker.state is ProgrammerState.READY)
    assert [baud for _, baud in ports.opened] == [115_200, 500_000]
    assert worker.wire_bytes_per_s == 50_000
    ports.transports[PATH].unplug()
    until(lambda: len(ports.opened) > 2)
    assert ports.opened[2] == (PATH, 500_000)


@pytest.mark.parametrize(
    ("kind", "path"),
    [(PortKind.USB, "usb:1-2"), (PortKind.TCP, "tcp://bench:9"), (PortKind.SERIAL, "/dev/pts/7"),
     (PortKind.SERIAL, "/dev/ttys003")],
)  # fmt: skip
def test_what_has_no_line_of_its_own_is_not_held_to_a_baud_rate(ports, start, kind, path):
    ports.plug(path, board("A1", ports.clock), kind)
    worker = start(Reports(), path)
    until(lambda: worker.state is ProgrammerState.READY)
    assert worker.wire_bytes_per_s is None
    assert len(ports.opened) == 1


def test_only_a_usb_adapter_is_given_time_to_restart_its_board(ports, start):
    ports.plug(PATH, board("A1", ports.clock), PortKind.SERIAL, vid=0x1209)
    worker = start(Reports())
    until(lambda: worker.state is ProgrammerState.READY)
    assert ports.clock.monotonic_s() >= 2.0


# What is in the way


def test_a_port_that_cannot_be_opened_is_tried_again_until_it_can(ports, start):
    ports.plug(PATH, board("A1", ports.clock))
    ports.refuses[PATH] = port_permission(PATH)
    desk = Reports()
    worker = start(desk)
    until(lambda: len(ports.opened) >= 3)
    assert worker.state is ProgrammerState.REFUSED
    assert worker.problem.code is Code.PORT_PERMISSION
    # Told once, however often it is tried.
    assert desk.told == [(ProgrammerState.REFUSED, Code.PORT_PERMISSION)]
    del ports.refuses[PATH]
    until(lambda: worker.state is ProgrammerState.READY)
    assert worker.problem is None


def test_a_programmer_that_restarts_is_found_again(ports, start):
    peer = board("A1", ports.clock)
    ports.plug(PATH, peer)
    desk = Reports()
    worker = start(desk)
    until(lambda: worker.state is ProgrammerState.READY)
    peer.reset(ports.clock.monotonic_s())
    until(lambda: desk.told.count(("connected", "A1")) == 2)
    assert (ProgrammerState.LOST, Code.LINK_LOST) in desk.told
    until(lambda: worker.state is ProgrammerState.READY)


@pytest.mark.parametrize(
    "trouble", [OSError("a driver's own way to fail"), ZeroDivisionError("a mistake of ours")]
)
def test_nothing_that_goes_wrong_ends_the_thread(ports, start, trouble):
    ports.plug(PATH, board("A1", ports.clock))
    ports.refuses[PATH] = trouble
    worker = start(Reports())
    until(lambda: len(ports.opened) >= 3)
    assert worker.problem.code is Code.INTERNAL
    del ports.refuses[PATH]
    until(lambda: worker.state is ProgrammerState.READY)


def test_a_job_that_fails_without_reason_costs_the_link_and_not_the_port(ports, start):
    ports.plug(PATH, board("A1", ports.clock))
    desk = Reports()
    worker = start(desk)
    until(lambda: worker.state is ProgrammerState.READY)
    done = threading.Event()

    def mistake(*_):
        raise KeyError("oops")

    desk.jobs += [mistake, lambda *_: done.set()]
    worker.wake()
    assert done.wait(10)
    assert (ProgrammerState.LOST, Code.INTERNAL) in desk.told


def test_a_desk_that_cannot_take_a_programmer_in_is_asked_again_later(ports, start):
    class Full(Reports):
        def connected(self, worker, session):
            super().connected(worker, session)
            if len(self.told) < 4:
                raise BenchError(Code.DISK_FULL, "no room")
            return "A1"

    ports.plug(PATH, board("A1", ports.clock))
    worker = start(Full())
    until(lambda: worker.state is ProgrammerState.READY)
    assert len(ports.opened) > 1


# Pauses


def test_pauses_double_up_to_their_cap(ports, start):
    ports.plug(PATH, Silent())
    at_s = []

    class Timed(list):
        def append(self, attempt):
            at_s.append(time.monotonic())
            super().append(attempt)

    ports.opened = Timed()
    start(Reports(), pauses=Pauses(first_s=0.02, longest_s=0.01, stranger_s=0.08))
    until(lambda: len(at_s) >= 8)
    waited_s = [later - earlier for earlier, later in itertools.pairwise(at_s)]
    assert all(
        measured >= wanted for measured, wanted in zip(waited_s, (0.02, 0.04, 0.08, 0.08), strict=False)
    )
    # Doubled on, the seventh would be 1.28 s.
    assert waited_s[6] < 0.7


def test_what_is_no_programmer_is_left_alone_for_longer_than_a_port_that_is_busy():
    # Opening a port can restart what is behind it, and keeps others from using it.
    assert Pauses().stranger_s > Pauses().longest_s > Pauses().first_s


def test_a_good_link_that_is_lost_is_tried_again_at_once(ports, start):
    peer = board("A1", ports.clock)
    ports.plug(PATH, peer)
    desk = Reports()
    worker = start(desk, pauses=Pauses(first_s=60, longest_s=60, stranger_s=60))
    until(lambda: worker.state is ProgrammerState.READY)
    until(lambda: ports.clock.monotonic_s() > 31)
    peer.reset(ports.clock.monotonic_s())
    until(lambda: desk.told.count(("connected", "A1")) == 2)


def test_a_programmer_that_dies_right_after_hello_is_not_hammered(ports, start):
    class Dies(Reports):
        def work(self, worker, session):
            raise port_lost(PATH)

    ports.plug(PATH, board("A1", ports.clock))
    worker = start(Dies(), pauses=Pauses(first_s=60, longest_s=60, stranger_s=60))
    until(lambda: worker.state is ProgrammerState.LOST)
    time.sleep(0.05)
    assert len(ports.opened) == 1


# Ending


def test_it_ends_while_it_waits_to_try_again(ports, start):
    ports.plug(PATH, Silent())
    worker = start(Reports(), pauses=Pauses(60, 60, 60))
    until(lambda: worker.problem is not None)
    worker.ask_to_stop()
    assert worker.join(1)


def test_a_hanging_port_can_be_left_behind(ports):
    released = threading.Event()
    worker = PortWorker(
        Candidate(PATH, PortKind.USB),
        Reports(),
        ports.clock,
        lambda *_: released.wait() and None,
        BAUDS,
        QUICK,
    )
    worker.start()
    worker.ask_to_stop()
    assert not worker.join(0.05)
    released.set()
    assert worker.join(5)
