"""Any order of calls, crashes among them, against a model that is written out here."""

import shutil
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import Bundle, RuleBasedStateMachine, invariant, rule

from daemon.clock import ManualClock
from daemon.errors import BenchError, Code
from daemon.store.model import JobChange, JobKind, JobState, NewEvent, NewJob, Step, StepState
from daemon.store.store import Store

ALLOWED = {
    "queued": {"running", "failed", "cancelled"},
    "running": {"waiting", "succeeded", "failed", "cancelled", "interrupted"},
    "waiting": {"running", "failed", "cancelled", "interrupted"},
}


class StoreMachine(RuleBasedStateMachine):
    """The model: state and progress of each job in order, and every event with its id."""

    jobs = Bundle("jobs")

    def __init__(self) -> None:
        super().__init__()
        self.root = Path(tempfile.mkdtemp())
        self.generation = 0
        self.clock = ManualClock()
        self.store = self.open_in(self.root / "0")
        self.store.programmers.upsert("prog-1", serial=None, info={})
        self.states: dict[str, str] = {}
        self.done: dict[str, int] = {}
        self.events: list[tuple[int, str, str | None]] = []
        self.pruned_through = 0

    def open_in(self, folder: Path) -> Store:
        folder.mkdir(exist_ok=True)
        return Store.open(f"sqlite:///{(folder / 'b.db').as_posix()}", self.clock, "b_one")

    def teardown(self) -> None:
        self.store.close()
        shutil.rmtree(self.root)

    def expect_events(self, *types: tuple[str, str | None]) -> None:
        """Note new events, whose ids must be above all that were ever given."""
        last = max([self.pruned_through, *(event[0] for event in self.events)])
        found = self.store.events.after(last)
        assert [(event.type, event.job_id) for event in found] == list(types)
        self.events += [(event.id, event.type, event.job_id) for event in found]

    def expect_refusal(self, job_id: str, change: JobChange, *events: NewEvent) -> None:
        with pytest.raises(BenchError) as failure:
            self.store.jobs.update(job_id, change, *events)
        assert failure.value.code is Code.JOB_STATE
        self.expect_events()

    @rule(target=jobs, kind=st.sampled_from(list(JobKind)))
    def create(self, kind: JobKind) -> str:
        job = self.store.jobs.create(NewJob(kind, "prog-1", steps=(Step("only", "Only step"),)))
        self.states[job.id], self.done[job.id] = "queued", 0
        self.expect_events(("job-created", job.id))
        return job.id

    @rule(job_id=jobs, state=st.sampled_from(list(JobState)))
    def move(self, job_id: str, state: JobState) -> None:
        allowed = state in ALLOWED.get(self.states[job_id], set())
        if allowed:
            self.store.jobs.update(job_id, JobChange(state=state))
            self.states[job_id] = state
            self.expect_events(("job-state", job_id))
        else:
            self.expect_refusal(job_id, JobChange(state=state))

    @rule(job_id=jobs, done_bytes=st.integers(0, 2**40))
    def progress(self, job_id: str, done_bytes: int) -> None:
        job = self.store.jobs.get(job_id)
        steps = (replace(job.steps[0], state=StepState.RUNNING, done_bytes=done_bytes),)
        told = NewEvent("job-progress", job_id=job_id)
        if self.states[job_id] in ALLOWED:
            self.store.jobs.update(job_id, JobChange(steps=steps), told)
            self.done[job_id] = done_bytes
            self.expect_events(("job-progress", job_id))
        else:
            self.expect_refusal(job_id, JobChange(steps=steps), told)

    @rule(keep=st.integers(0, 12))
    def prune(self, keep: int) -> None:
        gone = self.events[: max(0, len(self.events) - keep)]
        assert self.store.events.prune(keep) == len(gone)
        if gone:
            self.pruned_through = gone[-1][0]
            self.events = self.events[len(gone) :]

    @rule(clean=st.booleans())
    def restart(self, clean: bool) -> None:
        """Stop cleanly, or take the files as they lie, as a killed daemon leaves them."""
        old = self.root / str(self.generation)
        self.generation += 1
        new = self.root / str(self.generation)
        if clean:
            self.store.close()
        shutil.copytree(old, new, ignore=shutil.ignore_patterns("*-shm"))
        self.store.close()
        self.store = self.open_in(new)
        interrupted = self.store.jobs.interrupt_running()
        expected = [job_id for job_id, state in self.states.items() if state in {"running", "waiting"}]
        assert [job.id for job in interrupted] == expected
        for job_id in expected:
            self.states[job_id] = "interrupted"
        self.expect_events(*(("job-state", job_id) for job_id in expected))

    @invariant()
    def jobs_are_as_the_model_says(self) -> None:
        listed = self.store.jobs.list(limit=10_000)
        assert [job.id for job in listed] == list(self.states)[::-1]
        assert {job.id: str(job.state) for job in listed} == self.states
        assert {job.id: job.steps[0].done_bytes for job in listed} == self.done
        queue = [job_id for job_id, state in self.states.items() if state == "queued"]
        assert [job.id for job in self.store.jobs.queued()] == queue

    @invariant()
    def events_are_as_the_model_says(self) -> None:
        found = [(event.id, event.type, event.job_id) for event in self.store.events.after(0, 10_000)]
        assert found == self.events
        assert self.store.events.page(self.pruned_through)[1] is False
        if self.pruned_through:
            assert self.store.events.page(self.pruned_through - 1)[1] is True


StoreMachine.TestCase.settings = settings(max_examples=25, stateful_step_count=25, deadline=None)
TestStoreMachine: Any = pytest.mark.timeout(300)(StoreMachine.TestCase)
