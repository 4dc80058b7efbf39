"""Where jobs are handed in, given to workers, stopped and answered."""

import threading
from collections.abc import Callable
from dataclasses import dataclass

import structlog

from daemon.errors import BenchError, Code
from daemon.jobs.kinds import TITLES, steps_for
from daemon.jobs.outcome import Outcome, OutcomeCode
from daemon.jobs.planning import Plan, Planner, refuse_unmade, request_of
from daemon.jobs.questions import QuestionBox
from daemon.jobs.request import JobRequest
from daemon.jobs.runner import JobControl, Runner
from daemon.programmers.leases import Leases
from daemon.programmers.port_worker import PortWorker
from daemon.programmers.roster import Roster
from daemon.programmers.session import Session, StopSignal
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

_log = structlog.get_logger(__name__)

#: More waiting jobs than a day has hours for: beyond it something runs wild.
QUEUE_MAX = 10_000
_WRITING = frozenset({JobKind.WRITE, JobKind.PROGRAM})
#: The record of a job is not there, or is one that has ended: trying again changes nothing.
_HOPELESS = frozenset({Code.JOB_STATE, Code.NOT_FOUND})
_CONTINUABLE = frozenset({JobState.INTERRUPTED, JobState.FAILED, JobState.CANCELLED})


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
        planner: Planner,
        leases: Leases,
        runner: Runner,
    ) -> None:
        self._store = store
        self._planner = planner
        self._leases = leases
        self._runner = runner
        self._lock = threading.Lock()
        self._running: dict[str, _Running] = {}
        #: Ends of jobs that the store did not take, by job: written down as soon as it takes them.
        self._unrecorded: dict[str, JobChange] = {}
        self._stopping = False
        self._ended: list[str] = []
        self.roster: Roster
        #: Looks at how a job ended before that is written down, and may add to it.
        self.before_end: Callable[[JobRecord, JobChange], JobChange] = lambda _job, end: end
        #: Told of each job that has ended, once that is written down; from any thread.
        self.after_end: list[Callable[[JobRecord], None]] = []

    # Handing in

    def plan(self, request: JobRequest) -> Plan:
        """Look a request through. Raises BenchError for anything that would make it fail for sure."""
        return self._planner.plan(request, self.roster)

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
        refuse_unmade(plan)
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
                steps=tuple(Step(name, TITLES[name]) for name in _steps_of(plan)),
                estimate=plan.estimate.to_json(),
                idempotency_key=idempotency_key,
                continues_id=continues.id if continues else None,
                chip_id=request.chip,
                lot_id=request.lot,
            )
        )
        self.roster.wake(plan.programmer.id)
        return job

    def resume(self, job_id: str, lease_id: str | None, *, idempotency_key: str | None = None) -> JobRecord:
        """Take up a job that was cut off, as a new job that inspects the chip first.

        Raises BenchError `job-state` for a job that did not end that way.
        """
        old = self._ours(job_id)
        if old.state not in _CONTINUABLE:
            raise BenchError(
                Code.JOB_STATE,
                f"job {job_id} is {old.state}: there is nothing to continue",
                hint="Only interrupted, failed and cancelled jobs can be continued.",
            )
        return self.submit(_taken_up(old), lease_id, idempotency_key=idempotency_key, continues=old)

    # Working (from a worker's thread)

    def work(self, worker: PortWorker, session: Session) -> bool:
        """Do the oldest waiting job of this worker's programmer; return whether there was one.

        A job that was begun is ended, whatever happens: at the latest when the store takes records again.
        Raises BenchError for a link that turns out to be dead before one was begun.
        """
        programmer_id = worker.programmer_id
        if programmer_id is None:
            return False
        self._tell_ended()
        if not self._waits(programmer_id):
            return False
        # Before it is begun: on a dead link it would only fail, and so it waits for the next one.
        session.make_sure()
        control = JobControl(StopSignal(), QuestionBox())
        job = self._take(programmer_id, control)
        if job is None:
            return False
        worker.set_busy(True)
        try:
            before = self._store.jobs.get(job.continues_id) if job.continues_id else None
            assignment = self._planner.assign(job, session.identity, before)
            end = self._runner.run(assignment, session, control)
        except Exception as error:
            end = _end_of(job, error)
        end = self._looked_at(job, end)
        with self._lock:
            self._running.pop(job.id, None)
            self._unrecorded[job.id] = end
            self._record_ends()
        worker.set_busy(False)
        self._tell_ended()
        return True

    def _looked_at(self, job: JobRecord, end: JobChange) -> JobChange:
        try:
            return self.before_end(job, end)
        except Exception:
            _log.exception("what a job found could not be passed on", job=job.id)
            return end

    def _tell_ended(self) -> None:
        """Tell of jobs that have ended. The lock is not held: who is told may hand in the next one."""
        with self._lock:
            ended, self._ended = self._ended, []
        for job_id in ended:
            for listener in self.after_end:
                try:
                    listener(self._store.jobs.get(job_id))
                except Exception:
                    _log.exception("a job's end could not be passed on", job=job_id)

    def _waits(self, programmer_id: str) -> bool:
        """Tell whether a job waits for a programmer, as far as the store says."""
        try:
            with self._lock:
                self._record_ends()
                return not self._stopping and self._store.jobs.next_queued(programmer_id) is not None
        except BenchError as error:
            _log.warning("no job can be looked for", reason=error.message)
            return False

    def _take(self, programmer_id: str, control: JobControl) -> JobRecord | None:
        """Begin the next job, in the record, and let it be stopped by `control` from now on."""
        try:
            with self._lock:
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
            else:
                self._ended.append(job_id)
            del self._unrecorded[job_id]

    # Stopping and answering

    def cancel(self, job_id: str) -> JobRecord:
        """Cancel a job: a waiting one at once, a running one at the next word of the chip.

        Raises BenchError `job-ended` when there is nothing left to cancel.
        """
        with self._lock:
            running = self._running.get(job_id)
            if running is not None:
                # Before anything is asked of the store: a chip is to be saved even when that is ill.
                running.control.stop.ask()
            job = self._ours(job_id)
            waits = job.state is JobState.QUEUED
            if waits:
                outcome = Outcome(
                    OutcomeCode.CANCELLED, "cancelled before it began; the chip was not touched"
                )
                change = JobChange(state=JobState.CANCELLED, outcome=outcome.to_json())
                job = self._store.jobs.update(job_id, change)
                self._ended.append(job_id)
        if waits:
            self._tell_ended()
            return job
        if running is None or job.state in ENDED_STATES:
            raise BenchError(
                Code.JOB_ENDED, f"job {job_id} is {job.state}", hint="There is nothing to cancel."
            )
        return job

    def answer(self, job_id: str, yes: bool) -> JobRecord:
        """Answer the question of a waiting job. Raises BenchError `no-question`."""
        with self._lock:
            running = self._running.get(job_id)
        if running is None:
            job = self._ours(job_id)
            raise BenchError(
                Code.NO_QUESTION,
                f"job {job_id} is {job.state} and does not wait for an answer",
                hint="Look at the job.",
            )
        running.control.questions.answer(yes)
        return self._store.jobs.get(job_id)

    def _ours(self, job_id: str) -> JobRecord:
        """Return a job of this bench. Raises BenchError `not-found`, `job-state` for one of another bench."""
        job = self._store.jobs.get(job_id)
        if job.bench_id != self._store.bench_id:
            raise BenchError(
                Code.JOB_STATE,
                f"job {job_id} is of another bench ({job.bench_id}), which shares this database",
                hint="Do it at that bench; from here it can only be looked at.",
            )
        return job

    def stop(self) -> None:
        """Take no more jobs, and stop those that run; they are recorded as interrupted."""
        with self._lock:
            # Under the lock, so that no worker is between its look at this and its next job.
            self._stopping = True
            for running in self._running.values():
                running.control.shut_down()

    @property
    def unrecorded(self) -> int:
        """How many jobs have ended without the store's having taken it so far."""
        with self._lock:
            return len(self._unrecorded)

    def running_on(self, programmer_id: str) -> str | None:
        """Return the id of the job that runs on a programmer."""
        with self._lock:
            return next(
                (id_ for id_, running in self._running.items() if running.programmer_id == programmer_id),
                None,
            )


def _taken_up(old: JobRecord) -> JobRequest:
    """Return what continuing a job asks for: a rescue read goes on with the reads that it has."""
    request = request_of(old)
    counts = ((old.outcome or {}).get("numbers") or {}).get("tally_sha256")
    return request.model_copy(update={"image": counts}) if counts else request


def _steps_of(plan: Plan) -> tuple[str, ...]:
    request = plan.request
    return steps_for(
        request.kind,
        plan.part,
        awaits_chip=request.await_chip is not None,
        spares_contents=bool(request.spare_crc32),
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
