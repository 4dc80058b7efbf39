"""A whole bench with one simulated programmer: real threads, virtual time, and a way to hold a job still."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from daemon.bench import Bench
from daemon.catalogue.loader import Catalogue
from daemon.discovery import Candidate
from daemon.programmers.views import ProgrammerState
from daemon.settings import Settings
from daemon.store.model import ENDED_STATES, JobRecord, JobState
from daemon.transport.memory import MemoryTransport
from simulator.programmer.profile import Profile, full
from simulator.programmer.programmer import VirtualProgrammer
from simulator.stock import Stock, make_socket
from tests.support.ports import PatientTransport, SharedClock, until

PORT = "tcp://127.0.0.1:9"
#: A small part, so that a whole job takes a fraction of a second.
PART = "st-m27c64a"


class Hold:
    """Holds the worker's thread where a job tells of something; `let_go` lets it go on."""

    def __init__(self, bench: Bench, type_: str, **wanted: object) -> None:
        self._bench = bench
        self._type = type_
        self._wanted = wanted
        self._reached = threading.Event()
        self._released = threading.Event()
        self._end = bench.on_event(self._look)

    def reached(self) -> None:
        """Wait until a job is there."""
        assert self._reached.wait(20), "no job came so far"

    def let_go(self) -> None:
        """Let it go on, and hold nothing any more."""
        self._end()
        self._released.set()

    def _look(self, newest: int) -> None:
        event = self._bench.store.events.after(newest - 1, 1)[0]
        told = event.data | {"job_id": event.job_id}
        if event.type == self._type and all(told.get(name) == value for name, value in self._wanted.items()):
            self._reached.set()
            self._released.wait(20)


@dataclass
class OneBench:
    """A started bench, its board, and what its transports are."""

    bench: Bench
    board: VirtualProgrammer
    clock: SharedClock
    lines: list[MemoryTransport] = field(default_factory=list)

    def image(self, content: bytes) -> str:
        """Put an image on the shelf and return its digest."""
        return self.bench.add_image(content, name="content").sha256

    def hold(self, type_: str = "job-step", **wanted: object) -> Hold:
        """Hold the next job that tells of this, by default where step `step` begins."""
        if type_ == "job-step":
            wanted.setdefault("state", "running")
        return Hold(self.bench, type_, **wanted)

    def ended(self, job: JobRecord) -> JobRecord:
        """Wait for the end of a job and return its record."""
        until(lambda: self.bench.job(job.id).state in ENDED_STATES, 20)
        return self.bench.job(job.id)

    def reaches(self, job: JobRecord, state: JobState) -> None:
        """Wait until a job is in this state."""
        until(lambda: self.bench.job(job.id).state is state, 20)

    @property
    def supplies_off(self) -> bool:
        """Whether both supplies are below half a volt, as SPEC.md D27 has it."""
        rails = self.board.supplies.rails(self.clock.monotonic_s())
        return max(rails.vcc_v, rails.vpp_v) < 0.501


def settings_in(folder: Path, **changes: object) -> Settings:
    """Return settings with everything in a folder of their own, and one port."""
    return Settings(
        state_dir=folder / "state",
        runtime_dir=folder / "runtime",
        parts_dir=folder / "parts",
        discover_serial=False,
        discover_usb=False,
        **{"ports": (PORT,), **changes},
    )


@contextmanager
def one_bench(
    folder: Path,
    part_id: str = PART,
    stock: Stock = Stock.BLANK,
    *,
    profile: Profile | None = None,
    board: VirtualProgrammer | None = None,
    clock: SharedClock | None = None,
    ready: bool = True,
    **changes: object,
) -> Iterator[OneBench]:
    """Yield a started bench, its programmer ready, a chip in the socket; `changes` are to its settings."""
    clock = clock or SharedClock()
    profile = profile or full("SIM-1")
    socket = make_socket(Catalogue().get(part_id), stock, 1, socket_pins=profile.identity.socket_pins)
    peer = board or VirtualProgrammer(profile, socket, now_s=clock.monotonic_s())
    lines: list[MemoryTransport] = []

    def make_transport(candidate: Candidate, baud: int) -> MemoryTransport:
        lines.append(PatientTransport(peer, clock, path=candidate.path))
        return lines[-1]

    bench = Bench.open(settings_in(folder, **changes), clock=clock, make_transport=make_transport)
    try:
        bench.start()
        if ready:
            until(lambda: any(view.state is ProgrammerState.READY for view in bench.programmers()))
        yield OneBench(bench, peer, clock, lines)
    finally:
        bench.stop()
