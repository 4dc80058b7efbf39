"""The whole bench in real time, over real ports: pseudo-terminals and TCP, to simulated programmers."""

import contextlib
import random
import socket
import sys
import threading
import time

import numpy as np
import pytest

import daemon.bench
from daemon.bench import Bench
from daemon.catalogue.loader import Catalogue
from daemon.errors import BenchError, Code
from daemon.images.model import ImageFormat
from daemon.jobs.request import JobRequest
from daemon.programmers.views import ProgrammerState
from daemon.store.model import ENDED_STATES, JobKind, JobState
from simulator.endpoints import TcpEndpoint
from simulator.programmer.profile import full
from simulator.programmer.programmer import VirtualProgrammer
from simulator.serve import ServedProgrammer, pseudo_terminal_or_tcp
from simulator.stock import Stock, make_socket
from tests.support.one_bench import settings_in
from tests.support.ports import until

PART = "st-m27c256b"
CONTENT = random.Random(9).randbytes(32_768)
ENDPOINTS = {"tcp": TcpEndpoint}
if sys.platform != "win32":
    ENDPOINTS["pseudo-terminal"] = pseudo_terminal_or_tcp


def served(serial="SIM-1", *, endpoint=pseudo_terminal_or_tcp, speed=4.0, baud=0, stock=Stock.BLANK):
    profile = full(serial)
    socket = make_socket(Catalogue().get(PART), stock, 1, socket_pins=profile.identity.socket_pins)
    return ServedProgrammer(VirtualProgrammer(profile, socket), endpoint(), speed=speed, baud=baud)


def held(programmer):
    """What the chip's cells hold, past all pins."""

    def read(board, now_s):
        rows = np.arange(board.socket.chip.part.words, dtype=np.uint32)
        return board.socket.chip.cells.read(rows, 5.0).astype("u1").tobytes()

    return programmer.look(read)


def supplies_off(programmer):
    rails = programmer.look(lambda board, now_s: board.rails(now_s))
    return max(rails.vcc_v, rails.vpp_v) < 0.501


@contextlib.contextmanager
def running(folder, *programmers):
    """Serve programmers and yield a bench on which they are ready."""
    for programmer in programmers:
        programmer.start()
    ports = tuple(programmer.port for programmer in programmers)
    bench = Bench.open(settings_in(folder, ports=ports, poll_interval_s=0.1))
    try:
        bench.start()
        until(lambda: [view.state for view in bench.programmers()].count(ProgrammerState.READY) == len(ports))
        yield bench
    finally:
        bench.stop()
        for programmer in programmers:
            programmer.stop()


def ended(bench, job, timeout_s=30):
    until(lambda: bench.job(job.id).state in ENDED_STATES, timeout_s)
    return bench.job(job.id)


def program(bench, **options):
    image = bench.add_image(CONTENT, name="content").sha256
    return JobRequest(kind=JobKind.PROGRAM, part=PART, image=image, **options)


@pytest.mark.parametrize("endpoint", ENDPOINTS)
def test_the_main_job_over_a_real_port(tmp_path, endpoint):
    programmer = served(endpoint=ENDPOINTS[endpoint])
    with running(tmp_path, programmer) as bench:
        job = ended(bench, bench.submit(program(bench)))
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert held(programmer) == CONTENT
        assert supplies_off(programmer)
        read = ended(bench, bench.submit(JobRequest(kind=JobKind.READ, part=PART)))
        assert bench.job_content(read.id, ImageFormat.RAW) == CONTENT
        assert bench.link("SIM-1").damaged == 0
        assert bench.health().ready
        assert bench.health().programmers == 1


@pytest.mark.slow
def test_the_main_job_over_a_slow_serial_line(tmp_path):
    """As fast as 115200 baud carries it, which is slower than the chip takes it."""
    programmer = served(baud=115_200, speed=4.0)
    with running(tmp_path, programmer) as bench:
        began_s = time.monotonic()
        job = ended(bench, bench.submit(program(bench)))
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert held(programmer) == CONTENT
        # 32,768 bytes at 11,520 bytes a second of the board's time.
        assert time.monotonic() - began_s > 32_768 / 11_520 / 4


def test_two_programmers_work_at_the_same_time_and_each_keeps_its_queue(tmp_path):
    left, right = served("LEFT", speed=1.0), served("RIGHT", speed=1.0)
    with running(tmp_path, left, right) as bench:
        with pytest.raises(BenchError) as caught:
            bench.submit(program(bench))
        assert caught.value.code is Code.PROGRAMMER_AMBIGUOUS
        jobs = [bench.submit(program(bench, programmer=name)) for name in ("LEFT", "RIGHT")]
        after = [
            bench.submit(JobRequest(kind=JobKind.PIN_CHECK, part=PART, programmer=name))
            for name in ("LEFT", "RIGHT")
        ]
        records = [ended(bench, job) for job in jobs]
        assert [job.state for job in records] == [JobState.SUCCEEDED] * 2, records
        assert max(job.started_at for job in records) < min(job.ended_at for job in records)
        for first, second in zip(records, after, strict=True):
            assert ended(bench, second).started_at >= first.ended_at
        assert held(left) == held(right) == CONTENT


def test_a_job_begins_at_once_on_an_idle_programmer(tmp_path):
    """A wake-up that comes just before the worker waits is not lost: it would be half a second late."""
    with running(tmp_path, served(speed=50.0)) as bench:
        look = JobRequest(kind=JobKind.PIN_CHECK, part=PART)
        late = 0
        for at in range(30):
            time.sleep(0.001 * at)
            job = ended(bench, bench.submit(look))
            late += (job.started_at - job.created_at).total_seconds() > 0.3
        # A busy machine may be late now and then; lost wake-ups would make half of them so.
        assert late < 5


def test_a_running_job_is_stopped_with_the_bench_and_finished_by_the_next_one(tmp_path):
    programmer = served(speed=1.0)
    programmer.start()
    settings = settings_in(tmp_path, ports=(programmer.port,), poll_interval_s=0.1)
    bench = Bench.open(settings)
    bench.start()
    until(lambda: any(view.state is ProgrammerState.READY for view in bench.programmers()))
    job = bench.submit(program(bench))
    until(lambda: any(step.done_bytes > 4096 for step in bench.job(job.id).steps))
    began_s = time.monotonic()
    bench.stop()
    assert time.monotonic() - began_s < 3
    assert supplies_off(programmer)
    again = Bench.open(settings)
    try:
        assert again.job(job.id).state is JobState.INTERRUPTED
        again.start()
        until(lambda: any(view.state is ProgrammerState.READY for view in again.programmers()))
        assert ended(again, again.continue_job(job.id)).state is JobState.SUCCEEDED
        assert held(programmer) == CONTENT
    finally:
        again.stop()
        programmer.stop()


def test_unplugging_in_mid_job_fails_it_and_the_programmer_is_found_again(tmp_path):
    programmer = served(endpoint=TcpEndpoint, speed=1.0)
    with running(tmp_path, programmer) as bench:
        job = bench.submit(program(bench))
        until(lambda: any(step.done_bytes > 4096 for step in bench.job(job.id).steps))
        programmer.reset()
        record = ended(bench, job)
        assert (record.state, record.outcome["code"]) == (JobState.FAILED, "link-lost")
        until(lambda: bench.programmer("SIM-1").state is ProgrammerState.READY)
        assert ended(bench, bench.continue_job(job.id)).state is JobState.SUCCEEDED
        assert held(programmer) == CONTENT


def test_ports_without_a_programmer_are_shown_with_their_problem(tmp_path):
    with TcpListener() as nobody:
        bench = Bench.open(settings_in(tmp_path, ports=(nobody.path, "tcp://127.0.0.1:1")))
        try:
            bench.start()
            until(lambda: len([view for view in bench.programmers() if view.problem]) == 2, 20)
            problems = {view.path: view.problem for view in bench.programmers()}
            assert problems[nobody.path].code is Code.DEVICE_SILENT
            assert problems["tcp://127.0.0.1:1"].code in {Code.PORT_MISSING, Code.PORT_UNUSABLE}
            assert all(problem.hint for problem in problems.values())
            assert bench.health().programmers == 0
            began_s = time.monotonic()
        finally:
            bench.stop()
        assert time.monotonic() - began_s < 2


class TcpListener:
    """Something that listens and never answers."""

    def __enter__(self):
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.path = f"tcp://127.0.0.1:{self._socket.getsockname()[1]}"
        return self

    def __exit__(self, *_):
        self._socket.close()


# Opening and health


def test_two_benches_cannot_have_one_state_folder(tmp_path):
    bench = Bench.open(settings_in(tmp_path))
    with pytest.raises(BenchError) as caught:
        Bench.open(settings_in(tmp_path))
    assert caught.value.code is Code.STATE_DIR_BUSY
    bench.stop()
    bench.stop()  # once more does no harm
    Bench.open(settings_in(tmp_path)).stop()


def test_whatever_fails_while_opening_nothing_stays_taken(tmp_path, monkeypatch):
    def fail(*_):
        raise OSError("a folder of parts that cannot be read")

    monkeypatch.setattr(daemon.bench, "Catalogue", fail)
    with pytest.raises(OSError, match="cannot be read"):
        Bench.open(settings_in(tmp_path))
    monkeypatch.undo()
    Bench.open(settings_in(tmp_path)).stop()


def test_health_tells_of_a_store_that_does_not_answer(tmp_path):
    bench = Bench.open(settings_in(tmp_path))
    try:
        assert bench.health().ready

        def ill():
            raise BenchError(Code.STORE_UNREACHABLE, "the database does not answer")

        bench.store.events.newest_id = ill
        health = bench.health()
        assert not health.ready
        assert health.problems == ("the database does not answer",)
        assert health.free_bytes > 0
    finally:
        bench.stop()


def test_an_image_that_is_deleted_while_it_comes_in_again_is_whole_or_not_there(tmp_path):
    bench = Bench.open(settings_in(tmp_path))
    try:
        digest = bench.add_image(CONTENT[:64], name="content").sha256
        for _ in range(40):
            start = threading.Barrier(2)

            def forget(start=start):
                start.wait()
                with contextlib.suppress(BenchError):
                    bench.delete_image(digest)

            thread = threading.Thread(target=forget)
            thread.start()
            start.wait()
            bench.add_image(CONTENT[:64], name="content")
            thread.join(10)
            for view in bench.images():
                assert bench.image_content(view.sha256, ImageFormat.RAW) == CONTENT[:64]
        bench.add_image(CONTENT[:64], name="content")
        bench.delete_image(digest)
        with pytest.raises(BenchError) as caught:
            bench.image_content(digest, ImageFormat.RAW)
        assert caught.value.code is Code.NOT_FOUND
    finally:
        bench.stop()
