"""Writes down where a running job stands: each step's beginning and end, and progress in between."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from daemon.clock import Clock
from daemon.jobs.context import Done
from daemon.store.model import EventType, JobChange, JobRecord, JobState, NewEvent, StepState
from daemon.store.store import Store

#: Often enough for a bar that moves, seldom enough to cost nothing.
_PROGRESS_EVERY_S = 0.2


class Reporter:
    """The record of one running job."""

    def __init__(self, store: Store, clock: Clock, job: JobRecord, estimate_s: Mapping[str, float]) -> None:
        self._store = store
        self._clock = clock
        self._estimate_s = dict(estimate_s)
        self._steps = list(job.steps)
        self._at = 0
        self._step_began_s = 0.0
        self._told_s = float("-inf")
        self.job = job

    def begin(self, index: int) -> None:
        """Note that step `index` has begun."""
        self._at = index
        self._step_began_s = self._clock.monotonic_s()
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

    def end(self, done: Done) -> None:
        """Note that the step went well, or was left out."""
        state = StepState.SKIPPED if done.skipped else StepState.DONE
        self._finish(state, {"words": done.words, **done.numbers})

    def fail(self, state: StepState, words: str) -> None:
        """Note that the step failed or was stopped."""
        if self._steps and self._steps[self._at].state is StepState.RUNNING:
            self._finish(state, {"words": words})

    def wait(self, question: Mapping[str, Any]) -> None:
        """Note that the job waits for a person."""
        self._set(result={"question": dict(question)})
        told = NewEvent(
            "job-question", dict(question), job_id=self.job.id, programmer_id=self.job.programmer_id
        )
        change = JobChange(state=JobState.WAITING, steps=tuple(self._steps))
        self.job = self._store.jobs.update(self.job.id, change, told)

    def go_on(self) -> None:
        """Note that the person has answered."""
        self._set(result=None)
        change = JobChange(state=JobState.RUNNING, steps=tuple(self._steps))
        self.job = self._store.jobs.update(self.job.id, change)

    def close(self, state: JobState, outcome: Mapping[str, Any]) -> JobRecord:
        """Note how the job ended."""
        for index, step in enumerate(self._steps):
            if step.state is StepState.PENDING:
                self._steps[index] = replace(step, state=StepState.SKIPPED)
        change = JobChange(state=state, steps=tuple(self._steps), outcome=outcome)
        self.job = self._store.jobs.update(self.job.id, change)
        return self.job

    def _finish(self, state: StepState, result: Mapping[str, Any]) -> None:
        step = self._steps[self._at]
        done_bytes = step.total_bytes if state is StepState.DONE and step.total_bytes else step.done_bytes
        self._set(state=state, ended_at=self._clock.utc_now(), result=dict(result), done_bytes=done_bytes)
        self._write(EventType.JOB_STEP)

    def _eta_s(self) -> float:
        """Return the seconds that are left: this step's by its own pace, the rest as estimated."""
        step = self._steps[self._at]
        spent_s = self._clock.monotonic_s() - self._step_began_s
        left_s = max(0.0, self._estimate_s.get(step.name, 0.0) - spent_s)
        if step.total_bytes and step.done_bytes:
            left_s = spent_s * (step.total_bytes - step.done_bytes) / step.done_bytes
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
        told = NewEvent(event, data, job_id=self.job.id, programmer_id=self.job.programmer_id)
        self.job = self._store.jobs.update(self.job.id, JobChange(steps=tuple(self._steps)), told)
