"""Where jobs are handed in, planned, given to workers, stopped and answered."""

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import structlog
from pydantic import ValidationError

from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.catalogue.terms import EraseMethod
from daemon.errors import BenchError, Code
from daemon.image_shelf import ImageShelf
from daemon.images.fit import FittedContent, fit
from daemon.jobs.estimate import Estimate, estimate_job
from daemon.jobs.kinds import STEPS, steps_for
from daemon.jobs.outcome import Outcome, OutcomeCode
from daemon.jobs.questions import QuestionBox
from daemon.jobs.request import WITH_IMAGE, JobRequest
from daemon.jobs.runner import Assignment, JobControl, Runner
from daemon.programmers.fitting import Fit, describe, fit_directly
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


class JobDesk:
    """Jobs of one bench. Thread-safe."""

    def __init__(
        self, store: Store, catalogue: Catalogue, shelf: ImageShelf, leases: Leases, runner: Runner
    ) -> None:
        self._store = store
        self._catalogue = catalogue
        self._shelf = shelf
        self._leases = leases
        self._runner = runner
        self._lock = threading.Lock()
        self._running: dict[str, JobControl] = {}
        self._stopping = False
        self.roster: Roster

    # Handing in

    def plan(self, request: JobRequest) -> Plan:
        """Look a request through. Raises BenchError for anything that would make it fail for sure."""
        part = self._catalogue.get(request.part)
        _refuse_impossible(request, part)
        programmer = self.roster.find(request.programmer)
        worker = self.roster.worker_of(programmer.id)
        session = worker.session
        assert session is not None
        seat = fit_directly(part, session.identity)
        descriptor = describe(seat, session.identity)
        sha256, content = self._content(request, part)
        estimate = estimate_job(
            request, part, content, session.identity, programmer.max_payload_bytes, worker.wire_bytes_per_s
        )
        return Plan(request, programmer, part, seat, descriptor, session.identity, sha256, content, estimate)

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
        if len(self._store.jobs.queued(plan.programmer.id)) >= QUEUE_MAX:
            raise BenchError(
                Code.JOB_QUEUE_FULL,
                f"{QUEUE_MAX:,} jobs already wait for programmer {plan.programmer.id}",
                hint="Cancel some, or wait.",
            )
        job = self._store.jobs.create(
            NewJob(
                kind=request.kind,
                programmer_id=plan.programmer.id,
                params=request.model_dump(mode="json"),
                part_id=plan.part.id,
                image_sha256=plan.image_sha256,
                steps=tuple(Step(name, STEPS[name].title) for name in steps_for(request.kind, plan.part)),
                estimate=plan.estimate.to_json(),
                idempotency_key=idempotency_key,
                continues_id=continues.id if continues else None,
            )
        )
        self.roster.worker_of(plan.programmer.id).wake()
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

    def _content(self, request: JobRequest, part: Part) -> tuple[str | None, FittedContent | None]:
        if request.image is None or request.kind not in WITH_IMAGE:
            return None, None
        view = self._shelf.get(request.image)
        content = fit(
            self._shelf.load(view.sha256),
            part.size_bytes,
            part.word_bytes,
            offset_bytes=request.offset_bytes,
            fill=request.fill,
            repeat=request.repeat,
        )
        return view.sha256, content

    # Working (from a worker's thread)

    def work(self, worker: PortWorker, session: Session) -> bool:
        """Do the oldest waiting job of this worker's programmer; return whether there was one."""
        programmer_id = worker.programmer_id
        if programmer_id is None or self._stopping:
            return False
        with self._lock:
            waiting = self._store.jobs.queued(programmer_id)
            if not waiting:
                return False
            control = JobControl(StopSignal(), QuestionBox())
            job = self._store.jobs.update(waiting[0].id, JobChange(state=JobState.RUNNING))
            self._running[job.id] = control
        worker.set_busy(True)
        try:
            assignment = self._assign(job)
            if assignment is not None:
                self._runner.run(assignment, session, control)
        finally:
            with self._lock:
                self._running.pop(job.id, None)
            worker.set_busy(False)
        return True

    def _assign(self, job: JobRecord) -> Assignment | None:
        """Gather what a job needs; a job whose part or image has gone since ends here, with the reason."""
        try:
            request = _request_of(job)
            part = self._catalogue.get(job.part_id or request.part)
            _, content = self._content(request, part)
        except BenchError as error:
            outcome = Outcome(str(error.code), error.message, error.hint)
            self._store.jobs.update(job.id, JobChange(state=JobState.FAILED, outcome=outcome.to_json()))
            return None
        resumes = job.continues_id is not None and job.kind in _WRITING
        return Assignment(job, request, part, content, resumes)

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
            control = self._running.get(job_id)
        if control is None or job.state in ENDED_STATES:
            raise BenchError(
                Code.JOB_ENDED, f"job {job_id} is {job.state}", hint="There is nothing to cancel."
            )
        control.stop.ask()
        return self._store.jobs.get(job_id)

    def answer(self, job_id: str, yes: bool) -> JobRecord:
        """Answer the question of a waiting job. Raises BenchError `no-question`."""
        with self._lock:
            control = self._running.get(job_id)
        if control is None:
            job = self._store.jobs.get(job_id)
            raise BenchError(
                Code.NO_QUESTION,
                f"job {job_id} is {job.state} and does not wait for an answer",
                hint="Look at the job.",
            )
        control.questions.answer(yes)
        return self._store.jobs.get(job_id)

    def stop(self) -> None:
        """Take no more jobs, and stop those that run; they are recorded as interrupted."""
        self._stopping = True
        with self._lock:
            for control in self._running.values():
                control.shutting_down = True
                control.stop.ask()

    def running_on(self, programmer_id: str) -> str | None:
        """Return the id of the job that runs on a programmer."""
        with self._lock:
            ids = list(self._running)
        return next((id_ for id_ in ids if self._store.jobs.get(id_).programmer_id == programmer_id), None)


def _request_of(job: JobRecord) -> JobRequest:
    params: Mapping[str, Any] = {**job.params, "programmer": job.programmer_id}
    try:
        return JobRequest.model_validate(params)
    except ValidationError as error:
        raise BenchError(
            Code.JOB_REQUEST,
            f"job {job.id} was recorded by another version and cannot be read: {error.error_count()} faults",
            hint="Start it anew.",
        ) from error


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
