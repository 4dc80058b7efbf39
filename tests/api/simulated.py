"""A whole bench with a simulated programmer in the memory of the test: real threads, virtual time."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from daemon.bench import Bench
from daemon.catalogue.loader import Catalogue
from daemon.clock import ManualClock
from daemon.discovery import Candidate
from daemon.programmers.views import ProgrammerState
from daemon.settings import Settings
from daemon.store.model import ENDED_STATES, JobRecord
from daemon.transport.memory import MemoryTransport
from simulator.programmer.profile import Profile, full
from simulator.programmer.programmer import VirtualProgrammer
from simulator.stock import Stock, make_socket

PORT = "tcp://127.0.0.1:9"
"""A configured port is always a candidate; nothing is ever opened there."""

PART = "st-m27c64a"
"""A small part, so that a whole job takes a fraction of a second."""


class IdleTransport(MemoryTransport):
    """Lets other threads run while nothing happens on the line; virtual time costs none by itself."""

    def read(self, timeout_s: float) -> bytes:
        data = super().read(timeout_s)
        if not data:
            time.sleep(0.001)
        return data


@contextmanager
def simulated_bench(
    settings: Settings, stock: Stock = Stock.BLANK, profile: Profile | None = None
) -> Iterator[Bench]:
    """Yield a started bench whose one programmer is ready, with a chip of `PART` in its socket."""
    profile = profile or full("SIM-1")
    socket = make_socket(Catalogue().get(PART), stock, 1, socket_pins=profile.identity.socket_pins)
    clock = ManualClock()
    peer = VirtualProgrammer(profile, socket)

    def make_transport(candidate: Candidate, baud: int) -> MemoryTransport:
        return IdleTransport(peer, clock, path=candidate.path)

    bench = Bench.open(settings, clock=clock, make_transport=make_transport)
    try:
        bench.start()
        until(lambda: any(view.state is ProgrammerState.READY for view in bench.programmers()))
        yield bench
    finally:
        bench.stop()


def until(condition: Any, timeout_s: float = 10) -> None:
    """Wait until `condition()` holds; AssertionError after `timeout_s`."""
    deadline_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline_s, "it did not come about"
        time.sleep(0.005)


def ended(bench: Bench, job_id: str) -> JobRecord:
    """Wait for the end of a job and return its record."""
    until(lambda: bench.job(job_id).state in ENDED_STATES)
    return bench.job(job_id)
