"""Writes down where a running job stands: each step's beginning and end, and progress in between."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import structlog

from daemon.clock import Clock
from daemon.errors import BenchError
from daemon.jobs.context import Done
from daemon.store.model import EventType, JobChange, JobRecord, JobState, NewEvent, StepState
from daemon.store.store import Store

_log = structlog.get_logger(__name__)

#: Often enough for a bar that moves, seldom enough to cost nothing.
_PROGRESS_EVERY_S = 0.2


class Reporter:
    """The record of one running job.

    Where a step stands is told as well as can be: a store that cannot take it now does not stop a chip in the
    middle of its programming. That a person is waited for must get through (`wait`, `go_on`).
    """

    def __init__(self, store: Store, clock: Clock, job: JobRecord, estimate_s: Mapping[str, float]) -> None:
        self._store = store
        self._clock = clock
        self._estimate_s = dict(estimate_s)
        self._steps = list(job.steps)
        self._at = 0
        self._step_began_s = 0.0
        self._told_s = float("-inf")
        self._asked_s: float | None = None
        #: Spent waiting for a person, s: in the whole job, and in this step.
        self._waited_s = self._step_waited_s = 0.0
        self.job = job

    @property
    def waited_s(self) -> float:
        """How long the job has waited for a person so far."""
        open_s = 0.0 if self._asked_s is None else self._clock.monotonic_s() - self._asked_s
        return self._waited_s + open_s

    def begin(self, index: int) -> None:
        """Note that step `index` has begun."""
        self._at = index
        self._step_began_s = self._clock.monotonic_s()
        self._step_waited_s = 0.0
        self._told_s = float("-inf")
        self._set(state=StepState.RUNNING, started_at=self._clock.utc_now())
        self._write(EventType.JOB_STEP)

    def progress(self, done_bytes: int, total_bytes: int) -> None:
        """Note how far the step is; most calls only remember it."""
        self._set(done_bytes=done_bytes, total_bytes=total_bytes)
        now_s = self._clock.monotonic_s()
        if now_s - self._told_s >= _PROGRESS_EVERY_S:
            self._told_s = now_s
            self._write(EventType.JOB_PROGRESS, eta_s=round(self._eta_s(), 1))

    def acknowledge(self, stretches: tuple[tuple[int, int], ...]) -> None:
        """Remember which bytes are done; it is written down with the progress."""
        self._set(acknowledged=stretches)

    def end(self, done: Done) -> None:
        """Note that the step went well, or was left out."""
        state = StepState.SKIPPED if done.skipped else StepState.DONE
        self._finish(state, {"words": done.words, **done.numbers})

    def fail(self, state: StepState, words: str) -> None:
        """Note that the step failed or was stopped."""
        if self._steps and self._steps[self._at].state is StepState.RUNNING:
            self._finish(state, {"words": words})

    def wait(self, question: Mapping[str, Any]) -> None:
        """Note that the job waits for a person. Raises BenchError for a store that does not take it."""
        self._asked_s = self._clock.monotonic_s()
        self._set(result={"question": dict(question)})
        told = NewEvent(
            "job-question", dict(question), job_id=self.job.id, programmer_id=self.job.programmer_id
        )
        change = JobChange(state=JobState.WAITING, steps=tuple(self._steps))
        self.job = self._store.jobs.update(self.job.id, change, told)

    def reword(self, question: Mapping[str, Any]) -> None:
        """Note that something else is asked of the person who is waited for, as well as can be."""
        self._set(result={"question": dict(question)})
        told = NewEvent(
            "job-question", dict(question), job_id=self.job.id, programmer_id=self.job.programmer_id
        )
        self._try(told)

    def go_on(self) -> None:
        """Note that the person has answered. Raises BenchError for a store that does not take it."""
        if self._asked_s is not None:
            waited_s = self._clock.monotonic_s() - self._asked_s
            self._waited_s += waited_s
            self._step_waited_s += waited_s
            self._asked_s = None
        self._set(result=None)
        change = JobChange(state=JobState.RUNNING, steps=tuple(self._steps))
        self.job = self._store.jobs.update(self.job.id, change)

    def ended(self, state: JobState, outcome: Mapping[str, Any]) -> JobChange:
        """Return the change that ends the job so, with the steps that it did not come to."""
        steps = tuple(
            replace(step, state=StepState.SKIPPED) if step.state is StepState.PENDING else step
            for step in self._steps
        )
        return JobChange(state=state, steps=steps, outcome=outcome)

    def _finish(self, state: StepState, result: Mapping[str, Any]) -> None:
        step = self._steps[self._at]
        done_bytes = step.total_bytes if state is StepState.DONE and step.total_bytes else step.done_bytes
        self._set(state=state, ended_at=self._clock.utc_now(), result=dict(result), done_bytes=done_bytes)
        self._write(EventType.JOB_STEP)

    def _eta_s(self) -> float:
        """Return the seconds that are left: this step's by its own pace, the rest as estimated.

        At the beginning of a step its pace says little: then what was estimated counts, and less and less.
        """
        step = self._steps[self._at]
        spent_s = self._clock.monotonic_s() - self._step_began_s - self._step_waited_s
        planned_s = self._estimate_s.get(step.name, 0.0)
        left_s = max(0.0, planned_s - spent_s)
        if step.total_bytes and step.done_bytes:
            done = step.done_bytes / step.total_bytes
            by_pace_s = spent_s / done * (1 - done)
            left_s = (1 - done) * (planned_s * (1 - done)) + done * by_pace_s
        return left_s + sum(self._estimate_s.get(later.name, 0.0) for later in self._steps[self._at + 1 :])

    def _set(self, **changes: Any) -> None:
        self._steps[self._at] = replace(self._steps[self._at], **changes)

    def _write(self, event: EventType, **extra: Any) -> None:
        step = self._steps[self._at]
        data = {
            "step": step.name,
            "title": step.title,
            "state": step.state.value,
            "done_bytes": step.done_bytes,
            "total_bytes": step.total_bytes,
            "result": step.result,
            **extra,
        }
        self._try(NewEvent(event, data, job_id=self.job.id, programmer_id=self.job.programmer_id))

    def _try(self, told: NewEvent) -> None:
        try:
            self.job = self._store.jobs.update(self.job.id, JobChange(steps=tuple(self._steps)), told)
        except BenchError as error:
            step = self._steps[self._at]
            _log.warning("where the job stands could not be recorded", step=step.name, reason=error.message)
