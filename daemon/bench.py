"""The bench: everything a front end may do, behind one door.

None of the calls waits for hardware: jobs do, in the workers' threads. All are thread-safe.
"""

import contextlib
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Self

import structlog

from daemon.adapters.files import Adapters
from daemon.adapters.model import Adapter
from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.catalogue.partfile import Problem
from daemon.clock import Clock, SystemClock
from daemon.discovery import Candidate, PortEnumerator
from daemon.errors import BenchError, Code
from daemon.health import Health
from daemon.image_shelf import ImageShelf, ImageView
from daemon.images.model import ImageFormat
from daemon.jobs.desk import JobDesk
from daemon.jobs.planning import Planner
from daemon.jobs.request import Answer, JobRequest
from daemon.jobs.runner import Runner
from daemon.late import LateRooms, Rooms
from daemon.programmers.leases import Lease, Leases
from daemon.programmers.port_worker import MakeTransport
from daemon.programmers.roster import Roster
from daemon.programmers.views import ANSWERING, ProgrammerView
from daemon.settings import Settings
from daemon.state_dir import claim
from daemon.store.batches import OPEN_STATES
from daemon.store.blobs import Blobs, free_bytes_of
from daemon.store.model import EventRecord, JobChange, JobRecord, JobState
from daemon.store.store import Store
from daemon.transport.base import Transport
from daemon.transport.choose import transport_for
from protocol.host.events import LinkCounters

if TYPE_CHECKING:
    from daemon.adapters.seating import Seated
    from daemon.adapters.stand_ins import StandInAnswer, StandInRequest
    from daemon.diagnosis.board_dead import BoardNeeds, Point
    from daemon.drawer.lookup import Match
    from daemon.erasure import EraseEstimate
    from daemon.erasure.requests import EraseRequest
    from daemon.jobs.preview import JobPreview

_log = structlog.get_logger(__name__)
_BLOBS = "images"


class Bench(Rooms):
    """One bench on one machine. Made by `open`, set going by `start`, ended by `stop`."""

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        store: Store,
        blobs: Blobs,
        make_transport: MakeTransport,
        held: contextlib.ExitStack,
    ) -> None:
        self.settings = settings
        self._clock = clock
        self._store = store
        self.catalogue = Catalogue(settings.parts_dir)
        self.adapters = Adapters(settings.adapters_dir)
        self._shelf = ImageShelf(store, blobs, int(settings.max_image_bytes))
        self._late = LateRooms(store, clock, self.catalogue, self._shelf, blobs, settings)
        self._leases = Leases(clock)
        runner = Runner(
            store,
            clock,
            self.catalogue,
            self._keep_read,
            lambda content: self._late.lookup.get().find(content),
            lambda crc32, size_bytes: self._late.lookup.get().content_of(crc32, size_bytes),
        )
        planner = Planner(self.catalogue, self._shelf, self.adapters)
        self._desk = JobDesk(store, planner, self._leases, runner)
        self._desk.before_end = self._before_end
        self._desk.after_end.append(self._after_end)
        self._late.jobs, self._late.desk = self, self._desk
        self._late.practice_lamps = settings.practice_lamps
        self._roster = Roster(
            store,
            clock,
            enumerate_ports=PortEnumerator(settings),
            make_transport=make_transport,
            baud_rates=settings.baud_rates,
            poll_interval_s=settings.poll_interval_s,
            do_work=self._desk.work,
        )
        self._desk.roster = self._roster
        # The last thing: whatever fails before it, `open` gives back what it has taken.
        self._held = held.pop_all()

    @classmethod
    def open(
        cls,
        settings: Settings,
        *,
        clock: Clock | None = None,
        make_transport: MakeTransport | None = None,
    ) -> Self:
        """Claim the state directory and open store and contents.

        Raises BenchError: `state-dir-busy`, and what store and directories raise; then nothing is held.
        """
        clock = clock or SystemClock()
        with contextlib.ExitStack() as held:
            dirs = held.enter_context(claim(settings.state_dir, settings.runtime_dir))
            blobs = Blobs(dirs.state_dir / _BLOBS)
            if leftovers := blobs.open():
                _log.info("removed half-written contents of an earlier run", files=leftovers)
            store = held.enter_context(
                Store.open(settings.database_url, clock, dirs.bench_id, event_keep=settings.event_keep)
            )
            return cls(settings, clock, store, blobs, make_transport or _real_transport, held)

    def start(self) -> None:
        """Note what an earlier run left unfinished, then look for programmers and work."""
        for job in self._store.jobs.interrupt_running():
            _log.warning("job was cut off by an earlier end of the daemon", job=job.id)
        if self._store.tray_checks.all_open():
            self._late.erasing.get()
        if self._store.batches.list(states=OPEN_STATES, limit=1):
            self._late.batches.get()
        self._roster.start()

    def stop(self, timeout_s: float = 5.0) -> None:
        """End: running jobs are stopped with their supplies off and recorded as interrupted."""
        if batches := self._late.batches.made:
            batches.stop()
        self._desk.stop()
        self._roster.stop(timeout_s)
        self._held.close()

    @property
    def store(self) -> Store:
        """The records. The API keeps its idempotency there."""
        return self._store

    def health(self) -> Health:
        """Say whether the bench can work."""
        problems: list[str] = []
        try:
            self._store.events.newest_id()
        except BenchError as error:
            problems.append(error.message)
        free_bytes = 0
        try:
            free_bytes = free_bytes_of(self.settings.state_dir)
        except OSError as error:
            problems.append(f"the state directory cannot be looked at: {error.strerror}")
        if unrecorded := self._desk.unrecorded:
            problems.append(f"the end of {unrecorded} job{'s' if unrecorded > 1 else ''} is not recorded yet")
        answering = [view for view in self._roster.views() if view.state in ANSWERING]
        return Health(not problems, tuple(problems), free_bytes, len(answering))

    # Programmers

    def programmers(self) -> list[ProgrammerView]:
        """Return all programmers, and ports that could have one but do not answer."""
        return [self._with_jobs(view) for view in self._roster.views()]

    def programmer(self, name: str) -> ProgrammerView:
        """Return one by id or name. Raises BenchError `not-found`."""
        return self._with_jobs(self._roster.find(name))

    def rename_programmer(self, name: str, new_name: str | None) -> ProgrammerView:
        """Give a programmer a name, or take it away. Raises BenchError: `name-taken`, `name-invalid`."""
        view = self._roster.find(name)
        record = self._store.programmers.rename(view.id, new_name)
        self._roster.renamed(view.id, record.name)
        return self.programmer(view.id)

    def link(self, name: str) -> LinkCounters:
        """Return the counters of the link to a programmer. Raises BenchError `programmer-gone`."""
        return self._roster.session_of(self._roster.find(name).id).counters

    def lease(self, name: str, holder: str, ttl_s: float | None) -> Lease:
        """Take or renew the lease on a programmer. Raises BenchError `lease-held`."""
        return self._leases.take(self._roster.find(name).id, holder, ttl_s or self.settings.lease_ttl_s)

    def lease_of(self, name: str) -> Lease | None:
        """Return the lease that is held on a programmer."""
        return self._leases.of(self._roster.find(name).id)

    def release(self, name: str, lease_id: str) -> None:
        """Give a lease back. Raises BenchError `lease-unknown`."""
        self._leases.release(self._roster.find(name).id, lease_id)

    # Parts

    def parts(self, query: str | None = None) -> list[Part]:
        """Return all parts, or those that match `query`, the best match first."""
        return list(self.catalogue.search(query)) if query else list(self.catalogue)

    def part(self, name: str) -> Part:
        """Return a part by id, name or alias. Raises BenchError: `part-unknown`, `part-ambiguous`."""
        return self.catalogue.get(name)

    def part_problems(self) -> tuple[Problem, ...]:
        """Return what is wrong with the user's own part files."""
        return self.catalogue.problems

    def file_problems(self) -> tuple[Problem, ...]:
        """Return what is wrong with the user's own files of parts and adapters."""
        return self.catalogue.problems + self.adapters.problems

    def stand_ins(self, name: str, request: "StandInRequest") -> "StandInAnswer":
        """Return which parts can stand where a part was meant to, best first, and why the rest cannot.

        Raises BenchError: `part-unknown`, `part-ambiguous`, `request-invalid`.
        """
        from daemon.adapters.stand_ins import find_stand_ins

        return find_stand_ins(name, request, self.catalogue, self.adapters)

    def dead_board(
        self, part: str, needs: "BoardNeeds", programmer: str | None = None
    ) -> "tuple[Point, ...]":
        """Return what to look at where a chip of this part verifies and its board is dead all the same.

        Raises BenchError: `part-unknown`, `part-ambiguous`, and for a programmer that is not there.
        """
        from daemon.diagnosis.board_dead import walk

        known = self.catalogue.get(part)
        if programmer is None:
            return walk(known, needs)
        view = self.programmer(programmer)
        return walk(known, needs, self._roster.session_of(view.id).identity)

    # Adapters

    def adapters_list(self) -> list[Adapter]:
        """Return all adapters, in order of their ids."""
        return list(self.adapters)

    def seats(self, part: str) -> "list[Seated]":
        """Return how a part sits on each adapter that takes it. Raises BenchError of `part`."""
        from daemon.adapters.seating import seats_for

        return list(seats_for(self.catalogue.get(part), self.adapters))

    def adapter(self, name: str) -> Adapter:
        """Return an adapter by id or name. Raises BenchError: `adapter-unknown`, `adapter-invalid`."""
        return self.adapters.get(name)

    # Images

    def add_image(
        self, data: bytes, *, name: str | None = None, format: ImageFormat | None = None
    ) -> ImageView:
        """Take an image file in. Raises BenchError for what cannot be read, is too large, or has no room."""
        return self._shelf.add(data, name=name, format=format)

    def images(self) -> list[ImageView]:
        """Return all images, newest first."""
        return self._shelf.list()

    def image(self, digest: str) -> ImageView:
        """Return one by its digest or 8 or more first digits of it. Raises BenchError `not-found`."""
        return self._shelf.get(digest)

    def image_content(self, digest: str, format: ImageFormat) -> bytes:
        """Return an image as a file."""
        return self._shelf.content(digest, format)

    def delete_image(self, digest: str) -> None:
        """Forget an image. Raises BenchError `image-in-use`."""
        self._shelf.delete(digest)

    def image_matches(self, digest: str) -> "tuple[Match, ...]":
        """Return which other images, or slices of them, are in an image. Raises BenchError `not-found`."""
        return self._late.lookup.get().matches(digest)

    def _find_content(self, content: bytes) -> "tuple[Match, ...]":
        return self._late.lookup.get().find(content)

    def _keep_read(self, part: Part, data: bytes) -> str:
        stamp = self._clock.utc_now().strftime("%Y-%m-%d %H:%M:%S")
        return self._shelf.keep_read(data, f"read from {part.name} {stamp}")

    # Jobs

    def preview(self, request: JobRequest) -> "JobPreview":
        """Show what a job would do to the chip, before anything is energised."""
        from daemon.jobs.preview import preview_of

        return preview_of(self._desk.plan(self._named(request)))

    def submit(
        self, request: JobRequest, *, lease_id: str | None = None, idempotency_key: str | None = None
    ) -> JobRecord:
        """Hand a job in. Raises BenchError for anything that would make it fail for sure."""
        return self._desk.submit(self._named(request), lease_id, idempotency_key=idempotency_key)

    def job(self, job_id: str) -> JobRecord:
        """Return one job. Raises BenchError `not-found`."""
        return self._store.jobs.get(job_id)

    def jobs(
        self,
        *,
        state: JobState | None = None,
        programmer: str | None = None,
        limit: int = 50,
        before_number: int | None = None,
    ) -> tuple[JobRecord, ...]:
        """Return jobs, newest first; of one programmer if it is named, by id or name."""
        states = None if state is None else {state}
        known = None if programmer is None else self._store.programmers.find(programmer)
        programmer_id = known.id if known else programmer
        return self._store.jobs.list(
            states=states, programmer_id=programmer_id, limit=limit, before_number=before_number
        )

    def cancel(self, job_id: str) -> JobRecord:
        """Cancel a job. Raises BenchError `job-ended`."""
        return self._desk.cancel(job_id)

    def continue_job(
        self, job_id: str, *, lease_id: str | None = None, idempotency_key: str | None = None
    ) -> JobRecord:
        """Take up a job that was cut off, as a new job. Raises BenchError `job-state`."""
        return self._desk.resume(job_id, lease_id, idempotency_key=idempotency_key)

    def answer(self, job_id: str, answer: Answer) -> JobRecord:
        """Answer a waiting job's question. Raises BenchError `no-question`."""
        return self._desk.answer(job_id, answer.confirm)

    def job_content(self, job_id: str, format: ImageFormat) -> bytes:
        """Return what a read job brought back. Raises BenchError `content-missing`."""
        job = self._store.jobs.get(job_id)
        digest = ((job.outcome or {}).get("numbers") or {}).get("content_sha256")
        if digest is None:
            raise BenchError(
                Code.CONTENT_MISSING,
                f"job {job_id} ({job.kind}, {job.state}) has no content that was read",
                hint="Only read jobs that came to their end have.",
            )
        return self._shelf.content(digest, format)

    def _with_jobs(self, view: ProgrammerView) -> ProgrammerView:
        return replace(
            view,
            running_job_id=self._desk.running_on(view.id),
            queued_jobs=self._store.jobs.count_queued(view.id),
        )

    # Events

    def events_after(
        self, last_id: int, *, limit: int = 500, job_id: str | None = None
    ) -> tuple[tuple[EventRecord, ...], bool]:
        """Return events after `last_id`, oldest first, and whether some have been pruned away unseen."""
        return self._store.events.page(last_id, limit, job_id=job_id)

    def newest_event_id(self) -> int:
        """Return the number of the newest event, 0 for none."""
        return self._store.events.newest_id()

    def on_event(self, callback: Callable[[int], None]) -> Callable[[], None]:
        """Call `callback(newest_id)` from any thread after each commit; return how to end that."""
        return self._store.on_event(callback)

    # Erasure

    def erase_estimate(self, request: "EraseRequest") -> "EraseEstimate":
        """Estimate how long a part must be exposed. Raises BenchError `erase-estimate-input`."""
        return self.erasing.estimate(request)

    def _named(self, request: JobRequest) -> JobRequest:
        """Fill in what is known of the chip that is named, so that the record of the job has it."""
        names_one = request.light is not None or request.chip is not None or request.lot is not None
        return self.erasing.named(request) if names_one else request

    def _before_end(self, job: JobRecord, end: JobChange) -> JobChange:
        return self.erasing.keep_count(job, end) if job.params.get("light") else end

    def _after_end(self, job: JobRecord) -> None:
        if job.params.get("light"):
            self.erasing.checks.job_ended(job)


def _real_transport(candidate: Candidate, baud: int) -> Transport:
    return transport_for(candidate.kind, candidate.path, baud=baud)
