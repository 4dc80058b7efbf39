"""A whole bench in virtual time: runner, session, link, wire, virtual programmer, chip. No thread."""

from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.clock import ManualClock
from daemon.images.fit import FittedContent, fit
from daemon.images.model import Image
from daemon.jobs.estimate import estimate_job
from daemon.jobs.kinds import TITLES, steps_for
from daemon.jobs.planning import Plan, acknowledged_by
from daemon.jobs.questions import QuestionBox
from daemon.jobs.request import JobRequest
from daemon.jobs.runner import Assignment, JobControl, Runner
from daemon.jobs.seats import Seat
from daemon.operations.socketed import Socketed
from daemon.programmers.fitting import describe, fit_directly
from daemon.programmers.session import Session, StopSignal
from daemon.programmers.views import ProgrammerState, ProgrammerView
from daemon.store.model import JobChange, JobKind, JobRecord, JobState, NewJob, Step
from daemon.store.store import Store
from daemon.transport.memory import MemoryTransport, Wire
from simulator.programmer.profile import Profile, full
from simulator.programmer.programmer import VirtualProgrammer
from simulator.socket import Socket
from simulator.stock import Stock, make_socket

PARTS = Catalogue()
PROGRAMMER_ID = "virtual"
#: Any 64 hexadecimal digits: the runner looks at content, not at images' names.
DIGEST = "0" * 64


@dataclass
class VirtualBench:
    """One programmer with one socket, and jobs run on it one after another."""

    store: Store
    clock: ManualClock
    programmer: VirtualProgrammer
    transport: MemoryTransport
    session: Session
    kept: list[bytes] = field(default_factory=list)
    #: What the line carries; None for more than matters.
    wire_bytes_per_s: float | None = None

    def run(
        self,
        kind: JobKind,
        part: Part | str,
        content: bytes | Image | None = None,
        *,
        control: JobControl | None = None,
        resumes: bool = False,
        before: JobRecord | None = None,
        seat: Seat | None = None,
        counts: bytes | None = None,
        **options: object,
    ) -> JobRecord:
        """Run one job to its end and return its record.

        `before`: the one that it continues; `counts`: what a rescue read goes on from.
        """
        part = PARTS.get(part) if isinstance(part, str) else part
        image = DIGEST if content is not None else None
        request = JobRequest(kind=kind, part=part.id, image=image, **options)
        fitted = None
        if content is not None:
            fitted = fit(
                content if isinstance(content, Image) else Image.raw(content),
                part.size_bytes,
                part.word_bytes,
                offset_bytes=request.offset_bytes,
                repeat=request.repeat,
            )
        if counts is not None:
            fitted = FittedContent(counts, (), ())
        hello = self.session.hello
        assert hello is not None
        estimate = estimate_job(
            request, part, fitted, self.session.identity, hello.max_payload, self.wire_bytes_per_s
        )
        job = self.store.jobs.create(
            NewJob(
                kind=kind,
                programmer_id=PROGRAMMER_ID,
                part_id=part.id,
                steps=tuple(
                    Step(name, TITLES[name])
                    for name in steps_for(
                        kind,
                        part,
                        awaits_chip=request.await_chip is not None,
                        spares_contents=bool(request.spare_crc32),
                    )
                ),
                estimate=estimate.to_json(),
            )
        )
        job = self.store.jobs.update(job.id, JobChange(state=JobState.RUNNING))
        runner = Runner(self.store, self.clock, PARTS, self._keep)
        control = control or JobControl(StopSignal(), QuestionBox())
        end = runner.run(
            Assignment(
                job,
                request,
                part,
                fitted,
                resumes or before is not None,
                seat.fit if seat else None,
                acknowledged_by(before),
            ),
            self.session,
            control,
        )
        return self.store.jobs.update(job.id, end)

    def plan(self, kind: JobKind, part_id: str, content: bytes) -> Plan:
        """Return the plan of a job that is not run."""
        part, hello = PARTS.get(part_id), self.session.hello
        assert hello is not None
        fitted = fit(Image.raw(content), part.size_bytes, part.word_bytes)
        request = JobRequest(kind=kind, part=part.id, image=DIGEST)
        identity = self.session.identity
        seat = fit_directly(part, identity)
        estimate = estimate_job(request, part, fitted, identity, hello.max_payload, None)
        view = ProgrammerView(PROGRAMMER_ID, None, identity.serial, "memory", ProgrammerState.READY)
        return Plan(request, view, part, seat, describe(seat, identity), identity, DIGEST, fitted, estimate)

    def socketed(self, part: Part) -> Socketed:
        """Return the part in the socket, not yet set up."""
        return Socketed(self.session, fit_directly(part, self.session.identity))

    def swap(self, socket: Socket) -> None:
        """Put another chip into the socket, as a person does between jobs."""
        chip = socket.remove()
        self.programmer.remove(self.clock.monotonic_s())
        if chip is not None:
            self.programmer.insert(chip, self.clock.monotonic_s())

    @property
    def held(self) -> bytes:
        """What the chip's cells hold, read at 5.0 V past all pins, low byte of each word first."""
        chip = self.programmer.socket.chip
        assert chip is not None
        rows = np.arange(chip.part.words, dtype=np.uint32)
        return chip.cells.read(rows, 5.0).astype("<u2" if chip.part.word_bytes == 2 else "u1").tobytes()

    @property
    def supplies_off(self) -> bool:
        """Whether both supplies are at most half a volt at the socket, as SPEC.md D27 has it."""
        rails = self.programmer.rails(self.clock.monotonic_s())
        return max(rails.vcc_v, rails.vpp_v) < 0.501

    def _keep(self, part: Part, data: bytes) -> str:
        self.kept.append(data)
        return DIGEST


@contextmanager
def virtual_bench(
    folder: Path,
    part_id: str | Part,
    stock: Stock = Stock.BLANK,
    *,
    profile: Profile | None = None,
    seed: int = 1,
    wire: Wire | None = None,
    other: str | None = None,
    change: Callable[[Socket], Socket] = lambda socket: socket,
    **programmer_options: object,
):
    """Yield a bench whose socket holds what `stock` says, connected."""
    profile = profile or full("SIM-1")
    part = PARTS.get(part_id) if isinstance(part_id, str) else part_id
    socket = make_socket(
        part,
        stock,
        seed,
        socket_pins=profile.identity.socket_pins,
        other=PARTS.get(other) if other else None,
    )
    clock = ManualClock()
    programmer = VirtualProgrammer(profile, change(socket), **programmer_options)
    transport = MemoryTransport(programmer, clock, wire=wire or Wire())
    with Store.open(f"sqlite:///{folder / 'bench.db'}", clock, "b_test") as store:
        store.programmers.upsert(PROGRAMMER_ID, serial="SIM-1", info={})
        transport.open()
        session = Session(transport, clock, nonce=seed)
        session.connect()
        speed = wire.baud / 10 if wire is not None and wire.baud else None
        yield VirtualBench(store, clock, programmer, transport, session, wire_bytes_per_s=speed)
        session.close()


def small_limits(profile: Profile, **limits: int) -> Profile:
    """Return the profile with other limits of its link."""
    return replace(profile, limits=replace(profile.limits, **limits))
