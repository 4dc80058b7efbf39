"""Where jobs are handed in, planned, given to workers, stopped and answered."""

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import structlog
from pydantic import ValidationError

from daemon.adapters.files import Adapters
from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.catalogue.terms import EraseMethod
from daemon.drawer.start import unmarked_part
from daemon.errors import BenchError, Code
from daemon.image_shelf import ImageShelf
from daemon.images.fit import FittedContent
from daemon.images.fit import fit as fit_image
from daemon.jobs.estimate import Estimate, estimate_job
from daemon.jobs.kinds import STEPS, steps_for
from daemon.jobs.outcome import Outcome, OutcomeCode
from daemon.jobs.questions import QuestionBox
from daemon.jobs.request import WITH_IMAGE, JobRequest, sight_of
from daemon.jobs.runner import Assignment, JobControl, Runner
from daemon.jobs.seats import Seat, seat_for
from daemon.programmers.fitting import Fit, describe
from daemon.programmers.leases import Leases
from daemon.programmers.port_worker import PortWorker
from daemon.programmers.roster import Roster
from daemon.programmers.session import Session, StopSignal
from daemon.programmers.views import ProgrammerView
from daemon.store.model import (
    ENDED_STATES,
    JobChange,
    JobKind,
    JobRecord,
    JobState,
    NewJob,
    Step,
)
from daemon.store.store import Store
from protocol.descriptor import PartDescriptor
from protocol.identity import Identity

_log = structlog.get_logger(__name__)

#: More waiting jobs than a day has hours for: beyond it something runs wild.
QUEUE_MAX = 10_000
_WRITING = frozenset({JobKind.WRITE, JobKind.PROGRAM})
#: The record of a job is not there, or is one that has ended: trying again changes nothing.
_HOPELESS = frozenset({Code.JOB_STATE, Code.NOT_FOUND})
_CONTINUABLE = frozenset({JobState.INTERRUPTED, JobState.FAILED, JobState.CANCELLED})


@dataclass(frozen=True, slots=True)
class Plan:
    """A request looked through: what it needs was found, and it can be done with this programmer."""

    request: JobRequest
    programmer: ProgrammerView
    part: Part
    fit: Fit
    descriptor: PartDescriptor
    identity: Identity
    image_sha256: str | None
    content: FittedContent | None
    estimate: Estimate


@dataclass(frozen=True, slots=True)
class _Running:
    programmer_id: str
    control: JobControl


class JobDesk:
    """Jobs of one bench. Thread-safe."""

    queue_max = QUEUE_MAX

    def __init__(
        self,
        store: Store,
        catalogue: Catalogue,
        shelf: ImageShelf,
        leases: Leases,
        runner: Runner,
        adapters: Adapters | None = None,
    ) -> None:
        self._store = store
        self._catalogue = catalogue
        self._adapters = adapters or Adapters()
        self._shelf = shelf
        self._leases = leases
        self._runner = runner
        self._lock = threading.Lock()
        self._running: dict[str, _Running] = {}
        #: Ends of jobs that the store did not take, by job: written down as soon as it takes them.
        self._unrecorded: dict[str, JobChange] = {}
        self._stopping = False
        self.roster: Roster

    # Handing in

    def plan(self, request: JobRequest) -> Plan:
        """Look a request through. Raises BenchError for anything that would make it fail for sure."""
        known = None if request.kind is JobKind.EXAMINE else self._catalogue.get(request.part_name)
        if known is not None:
            _refuse_impossible(request, known)
        programmer = self.roster.find(request.programmer)
        worker = self.roster.worker_of(programmer.id)
        session = self.roster.session_of(programmer.id)
        whole = known or unmarked_part(self._catalogue, sight_of(request), session.identity)
        seat = seat_for(request, whole, self._adapters, session.identity)
        fit, part = seat.fit, seat.fit.part
        descriptor = describe(fit, session.identity)
        sha256, content = self._content(request, whole, seat)
        estimate = estimate_job(
            request,
            part,
            content,
            session.identity,
            programmer.max_payload_bytes,
            worker.wire_bytes_per_s,
            fit,
        )
        return Plan(request, programmer, part, fit, descriptor, session.identity, sha256, content, estimate)

    def submit(
        self,
        request: JobRequest,
        lease_id: str | None,
        *,
        idempotency_key: str | None = None,
        continues: JobRecord | None = None,
    ) -> JobRecord:
        """Record a job and let its programmer's worker know. It is on disk before it starts.

        The key of the request goes into the record, so that its repeat after a crash finds this very job.
        """
        if self._stopping:
            raise BenchError(
                Code.BENCH_STOPPING, "the bench is being shut down", hint="Start it again first."
            )
        plan = self.plan(request)
        self._leases.require(plan.programmer.id, lease_id)
        if self._store.jobs.count_queued(plan.programmer.id) >= self.queue_max:
            raise BenchError(
                Code.JOB_QUEUE_FULL,
                f"{self.queue_max:,} jobs already wait for programmer {plan.programmer.id}",
                hint="Cancel some, or wait.",
            )
        job = self._store.jobs.create(
            NewJob(
                kind=request.kind,
                programmer_id=plan.programmer.id,
                params=request.model_dump(mode="json"),
                part_id=None if request.kind is JobKind.EXAMINE else plan.part.id,
                image_sha256=plan.image_sha256,
                steps=tuple(Step(name, STEPS[name].title) for name in steps_for(request.kind, plan.part)),
                estimate=plan.estimate.to_json(),
                idempotency_key=idempotency_key,
                continues_id=continues.id if continues else None,
            )
        )
        self.roster.wake(plan.programmer.id)
        return job

    def resume(self, job_id: str, lease_id: str | None, *, idempotency_key: str | None = None) -> JobRecord:
        """Take up a job that was cut off, as a new job that inspects the chip first.

        Raises BenchError `job-state` for a job that did not end that way.
        """
        old = self._store.jobs.get(job_id)
        if old.state not in _CONTINUABLE:
            raise BenchError(
                Code.JOB_STATE,
                f"job {job_id} is {old.state}: there is nothing to continue",
                hint="Only interrupted, failed and cancelled jobs can be continued.",
            )
        return self.submit(_request_of(old), lease_id, idempotency_key=idempotency_key, continues=old)

    def _content(
        self, request: JobRequest, part: Part, seat: Seat
    ) -> tuple[str | None, FittedContent | None]:
        if request.image is None or request.kind not in WITH_IMAGE:
            return None, None
        view = self._shelf.get(request.image)
        content = fit_image(
            self._shelf.load(view.sha256),
            part.size_bytes,
            part.word_bytes,
            offset_bytes=request.offset_bytes,
            fill=request.fill,
            repeat=request.repeat,
        )
        return view.sha256, seat.own_share(content)

    # Working (from a worker's thread)

    def work(self, worker: PortWorker, session: Session) -> bool:
        """Do the oldest waiting job of this worker's programmer; return whether there was one.

        A job that was begun is ended, whatever happens: at the latest when the store takes records again.
        """
        programmer_id = worker.programmer_id
        if programmer_id is None:
            return False
        control = JobControl(StopSignal(), QuestionBox())
        job = self._take(programmer_id, control)
        if job is None:
            return False
        worker.set_busy(True)
        try:
            end = self._runner.run(self._assign(job, session), session, control)
        except Exception as error:
            end = _end_of(job, error)
        with self._lock:
            self._running.pop(job.id, None)
            self._unrecorded[job.id] = end
            self._record_ends()
        worker.set_busy(False)
        return True

    def _take(self, programmer_id: str, control: JobControl) -> JobRecord | None:
        """Begin the next job, in the record, and let it be stopped by `control` from now on."""
        try:
            with self._lock:
                self._record_ends()
                job = None if self._stopping else self._store.jobs.next_queued(programmer_id)
                if job is None:
                    return None
                job = self._store.jobs.update(job.id, JobChange(state=JobState.RUNNING))
                self._running[job.id] = _Running(programmer_id, control)
                return job
        except BenchError as error:
            # The programmer is not at fault, and the store is looked after elsewhere: see `Bench.health`.
            _log.warning("no job can be begun", reason=error.message)
            return None

    def _record_ends(self) -> None:
        """Write down how jobs ended, as far as the store takes it; the rest is tried again. Lock held."""
        for job_id, end in list(self._unrecorded.items()):
            try:
                self._store.jobs.update(job_id, end)
            except BenchError as error:
                _log.warning("the end of a job could not be recorded", job=job_id, reason=error.message)
                if error.code not in _HOPELESS:
                    return
            except Exception as error:
                _log.exception("the end of a job cannot be recorded", job=job_id)
                self._unrecorded[job_id] = _unforeseen(error)
                return
            del self._unrecorded[job_id]

    def _assign(self, job: JobRecord, session: Session) -> Assignment:
        """Gather what a job needs.

        Raises BenchError for a part or an image that has gone since, and a job of another version.
        """
        request = _request_of(job)
        if request.kind is JobKind.EXAMINE:
            part = unmarked_part(self._catalogue, sight_of(request), session.identity)
        else:
            part = self._catalogue.get(request.part_name)
        seat = seat_for(request, part, self._adapters, session.identity)
        _, content = self._content(request, part, seat)
        resumes = job.continues_id is not None and job.kind in _WRITING
        return Assignment(job, request, seat.fit.part, content, resumes, seat.fit)

    # Stopping and answering

    def cancel(self, job_id: str) -> JobRecord:
        """Cancel a job: a waiting one at once, a running one at the next word of the chip.

        Raises BenchError `job-ended` when there is nothing left to cancel.
        """
        with self._lock:
            job = self._store.jobs.get(job_id)
            if job.state is JobState.QUEUED:
                outcome = Outcome(
                    OutcomeCode.CANCELLED, "cancelled before it began; the chip was not touched"
                )
                change = JobChange(state=JobState.CANCELLED, outcome=outcome.to_json())
                return self._store.jobs.update(job_id, change)
            running = self._running.get(job_id)
        if running is None or job.state in ENDED_STATES:
            raise BenchError(
                Code.JOB_ENDED, f"job {job_id} is {job.state}", hint="There is nothing to cancel."
            )
        running.control.stop.ask()
        return self._store.jobs.get(job_id)

    def answer(self, job_id: str, yes: bool) -> JobRecord:
        """Answer the question of a waiting job. Raises BenchError `no-question`."""
        with self._lock:
            running = self._running.get(job_id)
        if running is None:
            job = self._store.jobs.get(job_id)
            raise BenchError(
                Code.NO_QUESTION,
                f"job {job_id} is {job.state} and does not wait for an answer",
                hint="Look at the job.",
            )
        running.control.questions.answer(yes)
        return self._store.jobs.get(job_id)

    def stop(self) -> None:
        """Take no more jobs, and stop those that run; they are recorded as interrupted."""
        with self._lock:
            # Under the lock, so that no worker is between its look at this and its next job.
            self._stopping = True
            for running in self._running.values():
                running.control.shut_down()

    def running_on(self, programmer_id: str) -> str | None:
        """Return the id of the job that runs on a programmer."""
        with self._lock:
            return next(
                (id_ for id_, running in self._running.items() if running.programmer_id == programmer_id),
                None,
            )


def _request_of(job: JobRecord) -> JobRequest:
    """Return what was asked, with what its names meant then: a short digest may be ambiguous by now.

    Raises BenchError `job-request` for a record that another version wrote.
    """
    meant = {"programmer": job.programmer_id, "part": job.part_id, "image": job.image_sha256}
    params: Mapping[str, Any] = {**job.params, **{name: value for name, value in meant.items() if value}}
    try:
        request = JobRequest.model_validate(params)
    except ValidationError as error:
        fields = ", ".join(
            sorted({".".join(map(str, fault["loc"])) or "all of it" for fault in error.errors()})
        )
        raise _of_another_version(job, fields) from error
    unknown = [step.name for step in job.steps if step.name not in STEPS]
    if unknown:
        raise _of_another_version(job, f"the steps {', '.join(unknown)}")
    return request


def _of_another_version(job: JobRecord, what: str) -> BenchError:
    return BenchError(
        Code.JOB_REQUEST,
        f"job {job.id} was recorded by another version of this program; not understood: {what}",
        hint="Start it anew.",
    )


def _end_of(job: JobRecord, error: Exception) -> JobChange:
    """Return the end of a job that could not be begun."""
    if not isinstance(error, BenchError):
        _log.exception("job failed for an unforeseen reason", job=job.id, exc_info=error)
        return _unforeseen(error)
    outcome = Outcome(str(error.code), error.message, error.hint, numbers=error.details)
    return JobChange(state=JobState.FAILED, outcome=outcome.to_json())


def _unforeseen(error: Exception) -> JobChange:
    words = f"unforeseen: {type(error).__name__}: {error}"
    outcome = Outcome(Code.INTERNAL, words, "Please report this with the daemon's log.")
    return JobChange(state=JobState.FAILED, outcome=outcome.to_json())


def _refuse_impossible(request: JobRequest, part: Part) -> None:
    """Refuse before anything is recorded what this part can never do."""
    if request.kind in _WRITING and part.write is None:
        raise BenchError(
            Code.PART_READ_ONLY,
            f"{part.name} is a {part.kind} and cannot be programmed",
            hint="Choose a part that can be written and fits the same socket.",
            field="part",
        )
    if request.kind is JobKind.ERASE and part.erase.method is not EraseMethod.ELECTRICAL:
        uv = part.erase.method is EraseMethod.UV
        raise BenchError(
            Code.PART_CANNOT,
            f"{part.name} cannot be erased electrically",
            hint="It is erased by UV light: ask for an erase-time estimate."
            if uv
            else "It cannot be erased, or need not be: writing replaces what is there.",
            field="part",
        )
    end_bytes = (
        part.size_bytes if request.length_bytes is None else request.start_bytes + request.length_bytes
    )
    if request.start_bytes >= part.size_bytes or end_bytes > part.size_bytes or request.length_bytes == 0:
        raise BenchError(
            Code.JOB_REQUEST,
            f"{part.name} has bytes 0x0 to {part.size_bytes - 1:#x}; the range asked for does not lie within",
            hint="Leave the range out for the whole chip.",
            field="start_bytes",
        )
