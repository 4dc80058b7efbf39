"""Carries out one job: its steps in order, supplies off on every way out, and always an outcome."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import structlog

from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.clock import Clock
from daemon.errors import BenchError, Code
from daemon.images.fit import FittedContent
from daemon.jobs.aftercare import causes_of
from daemon.jobs.context import JobContext, OpenQuestion, Question
from daemon.jobs.outcome import JobStopped, Outcome, OutcomeCode, Verdict
from daemon.jobs.questions import QuestionBox
from daemon.jobs.reporter import Reporter
from daemon.jobs.request import JobRequest
from daemon.operations.socketed import Socketed
from daemon.programmers.fitting import Fit, fit_directly
from daemon.programmers.session import Session, StoppedError, StopSignal
from daemon.store.model import JobChange, JobKind, JobRecord, JobState, StepState
from daemon.store.store import Store

if TYPE_CHECKING:
    from daemon.drawer.lookup import Match

_log = structlog.get_logger(__name__)


@dataclass(slots=True)
class JobControl:
    """What others may do to a running job: stop it, answer it."""

    stop: StopSignal
    questions: QuestionBox
    shutting_down: bool = False
    """Whether it is stopped because the daemon ends, and not because somebody cancelled it."""

    def shut_down(self) -> None:
        """Stop it because the daemon ends; one that was cancelled before stays a cancelled one."""
        self.shutting_down = not self.stop.asked
        self.stop.ask()


@dataclass(frozen=True, slots=True)
class Assignment:
    """A job with everything it needs, looked up before it starts."""

    job: JobRecord
    request: JobRequest
    part: Part
    content: FittedContent | None
    resumes: bool
    #: None: directly in the socket.
    fit: Fit | None = None
    #: What the attempt that this one continues had got done, as stretches of bytes.
    acknowledged: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class _Ending:
    state: JobState
    step: StepState
    code: str
    summary: str
    hint: str = ""
    numbers: dict[str, Any] | None = None


class Runner:
    """Runs jobs for one bench. `keep` stores what a read brought back and returns its digest."""

    def __init__(
        self,
        store: Store,
        clock: Clock,
        catalogue: Catalogue,
        keep: Callable[[Part, bytes], str],
        find: Callable[[bytes], "tuple[Match, ...]"] = lambda _content: (),
        recall: Callable[[int, int], bytes | None] = lambda _crc32, _size_bytes: None,
    ) -> None:
        self._store = store
        self._clock = clock
        self._catalogue = catalogue
        self._keep = keep
        self._find = find
        self._recall = recall

    def run(self, assignment: Assignment, session: Session, control: JobControl) -> JobChange:
        """Run the job to its end and return how it ended, which is still to be recorded.

        Whatever happens to the job, the supplies are off then, or left to the programmer's watchdog where it
        cannot be reached any more.
        """
        job = assignment.job
        estimate = job.estimate or {}
        reporter = Reporter(self._store, self._clock, job, estimate.get("steps_s", {}))
        session.attend(control.stop)
        began_s = self._clock.monotonic_s()
        context: JobContext | None = None
        with structlog.contextvars.bound_contextvars(job=job.id, programmer=job.programmer_id):
            try:
                context = self._context(assignment, session, reporter, control)
                self._steps(context, reporter)
                ending = _good_ending(context)
            except Exception as error:
                ending = self._ending_of(error, control)
                if context is not None:
                    context.causes = causes_of(context, ending.code, ending.numbers)
            finally:
                session.attend(StopSignal())
                off = _switch_off(context)
            reporter.fail(ending.step, ending.summary)
            times = {"took_s": self._clock.monotonic_s() - began_s}
            if reporter.waited_s:
                times["waited_s"] = reporter.waited_s
            outcome = _outcome(ending, context, off, times, estimate)
            _log.info("job ended", state=ending.state.value, code=ending.code, summary=ending.summary)
            return reporter.ended(ending.state, outcome.to_json())

    def _context(
        self, assignment: Assignment, session: Session, reporter: Reporter, control: JobControl
    ) -> JobContext:
        def ask(question: Question) -> bool:
            control.questions.begin(question)
            reporter.wait(_told(question))
            answer = control.questions.ask(question, lambda: session.listen(0.0))
            reporter.go_on()
            return answer

        def ask_and_look(question: Question) -> AbstractContextManager[OpenQuestion]:
            return _open_question(question, control.questions, reporter)

        part = assignment.part
        fit = assignment.fit or fit_directly(part, session.identity)
        return JobContext(
            request=assignment.request,
            part=part,
            socketed=Socketed(session, fit),
            catalogue=self._catalogue,
            content=assignment.content,
            progress=reporter.progress,
            ask=ask,
            ask_and_look=ask_and_look,
            keep=lambda data: self._keep(part, data),
            find=self._find,
            recall=self._recall,
            resumes=assignment.resumes,
            acknowledged=assignment.acknowledged,
            acknowledge=reporter.acknowledge,
            estimate=assignment.job.estimate or {},
            # With each job, since a programmer may get other firmware later.
            numbers={"firmware": session.identity.firmware, "hardware": session.identity.hardware},
        )

    def _steps(self, context: JobContext, reporter: Reporter) -> None:
        # Late: the steps bring in most of what the daemon can do, and it is ready before the first job.
        from daemon.jobs.steps.table import DEEDS

        for index, step in enumerate(reporter.job.steps):
            reporter.begin(index)
            reporter.end(DEEDS[step.name](context))

    def _ending_of(self, error: Exception, control: JobControl) -> _Ending:
        match error:
            case JobStopped():
                cancelled = error.code is OutcomeCode.CANCELLED
                state = JobState.CANCELLED if cancelled else JobState.FAILED
                step = StepState.CANCELLED if cancelled else StepState.FAILED
                return _Ending(state, step, error.code, error.summary, error.hint, error.numbers)
            case StoppedError() if control.shutting_down:
                return _Ending(
                    JobState.INTERRUPTED, StepState.INTERRUPTED, OutcomeCode.INTERRUPTED,
                    "the daemon was stopped in the middle of this job",
                    "What the chip holds is unknown: continue the job, which looks first, or start anew.",
                )  # fmt: skip
            case StoppedError():
                return _Ending(
                    JobState.CANCELLED, StepState.CANCELLED, OutcomeCode.CANCELLED,
                    "cancelled as asked; the supplies are off",
                    "A chip that was being programmed holds part of the image: continue the job, or erase.",
                )  # fmt: skip
            case BenchError():
                return _Ending(
                    JobState.FAILED, StepState.FAILED, error.code, error.message, error.hint, error.details
                )
            case _:
                _log.exception("job failed for an unforeseen reason")
                return _Ending(
                    JobState.FAILED, StepState.FAILED, Code.INTERNAL,
                    f"unforeseen: {type(error).__name__}: {error}",
                    "Please report this with the daemon's log.",
                )  # fmt: skip


def _told(question: Question) -> dict[str, Any]:
    return {"code": question.code, "words": question.words, **question.numbers}


@dataclass(frozen=True, slots=True)
class _OpenQuestion:
    questions: QuestionBox
    reporter: Reporter

    def poll(self) -> bool | None:
        return self.questions.poll()

    def reword(self, question: Question) -> None:
        self.reporter.reword(_told(question))


@contextmanager
def _open_question(question: Question, questions: QuestionBox, reporter: Reporter) -> Iterator[OpenQuestion]:
    """Ask, and let the step look for itself; a step that gives up leaves the job waiting, until it ends."""
    questions.begin(question)
    try:
        reporter.wait(_told(question))
        yield _OpenQuestion(questions, reporter)
    finally:
        questions.end()
    reporter.go_on()


def _outcome(
    ending: _Ending,
    context: JobContext | None,
    off: str,
    times: Mapping[str, float],
    estimate: Mapping[str, Any],
) -> Outcome:
    numbers: dict[str, Any] = dict(context.numbers) if context else {}
    numbers.update(ending.numbers or {})
    numbers.update({name: round(seconds, 3) for name, seconds in times.items()}, supplies_after=off)
    if "total_s" in estimate:
        numbers["estimated_s"] = estimate["total_s"]
    checks = tuple(context.checks) if context else ()
    causes = context.causes if context else ()
    return Outcome(str(ending.code), ending.summary, ending.hint, checks, numbers, causes)


def _good_ending(context: JobContext) -> _Ending:
    kind, part = context.request.kind, context.part
    left_out = [check for check in context.checks if check.verdict is Verdict.NOT_CHECKED]
    summaries = {
        JobKind.IDENTIFY: "the chip was looked at",
        JobKind.PIN_CHECK: "the chip sits well",
        JobKind.BLANK_CHECK: "the chip is blank",
        JobKind.READ: "the chip was read and its content kept",
        JobKind.WRITE: "the image was written; it has not been verified at the part's supplies yet",
        JobKind.VERIFY: "the chip holds the image",
        JobKind.ERASE: "the chip is erased",
        JobKind.ERASE_CHECK: "the chip is erased",
        JobKind.PROGRAM: "the chip holds the image",
        JobKind.EXAMINE: "the chip was looked at",
        JobKind.DIAGNOSE: "the chip was looked at",
        JobKind.RESCUE_READ: "the chip was read over and over",
    }
    code = OutcomeCode.BLANK if kind is JobKind.BLANK_CHECK else OutcomeCode.OK
    summary = context.summary or f"{part.name}: {summaries[kind]}"
    hint = context.hint
    if left_out and not hint:
        hint = (
            "Not checked: " + "; ".join(f"{check.title.lower()} ({check.words})" for check in left_out) + "."
        )
    elif kind is JobKind.PROGRAM and not hint:
        hint = "Take the chip out, cover its window if it has one, and label it."
    return _Ending(JobState.SUCCEEDED, StepState.DONE, code, summary, hint)


def _switch_off(context: JobContext | None) -> str:
    """Switch the supplies off; return in one word how they are now: off, or left to the device's watchdog."""
    if context is None:
        return "off"
    try:
        context.socketed.power_off()
    except Exception as error:
        # Whatever it is, the session is closed by it or after it, and the device then does it by itself.
        _log.warning("could not confirm that the supplies are off", reason=str(error))
        context.socketed.session.close()
        return "unconfirmed: the programmer's watchdog takes them off"
    return "off"
