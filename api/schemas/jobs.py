"""Jobs, their steps and what came of them."""

from datetime import datetime
from typing import Any

from pydantic import Field

from api.schemas.causes import CauseView
from api.schemas.common import Shown
from daemon.store.model import JobKind, JobRecord, JobState, Step, StepState


class StepView(Shown):
    """One stage of a job."""

    name: str = Field(description="Stable name, such as `blank-check`.")
    title: str = Field(description="Its name for people.")
    state: StepState = Field(description="Where it stands.")
    done_bytes: int = Field(description="Bytes dealt with so far.")
    total_bytes: int | None = Field(None, description="Bytes in all; null where bytes are no measure.")
    started_at: datetime | None = Field(None, description="When it began, UTC.")
    ended_at: datetime | None = Field(None, description="When it ended, UTC.")
    result: dict[str, Any] | None = Field(None, description="What it found: `words` and numbers.")

    @classmethod
    def of(cls, step: Step) -> "StepView":
        """Show a step."""
        return cls(
            name=step.name,
            title=step.title,
            state=step.state,
            done_bytes=step.done_bytes,
            total_bytes=step.total_bytes,
            started_at=step.started_at,
            ended_at=step.ended_at,
            result=dict(step.result) if step.result is not None else None,
        )


class JobEstimate(Shown):
    """How long a job was thought to take before it began."""

    total_s: float = Field(description="The whole job, seconds.")
    steps_s: dict[str, float] = Field(description="Each step, seconds, by its name.")


class CheckView(Shown):
    """One thing that was, or could not be, looked at."""

    name: str = Field(description="Stable name of the check.")
    title: str = Field(description="Its name for people.")
    verdict: str = Field(description="`passed`, `failed` or `not-checked`.")
    words: str = Field(description="What was seen, or why it was not looked at.")
    vcc_v: float | None = Field(None, description="The supply it was looked at with, volts.")


class OutcomeView(Shown):
    """How a job ended."""

    code: str = Field(description="Stable code, such as `ok`, `not-blank` or `link-lost`.")
    summary: str = Field(description="What is the case, with the numbers.")
    hint: str = Field("", description="What to do next.")
    checks: list[CheckView] = Field([], description="Everything that was looked at, and what could not be.")
    numbers: dict[str, Any] = Field({}, description="The numbers, for programs.")
    causes: list[CauseView] = Field([], description="Why it failed, likeliest first, if that was looked at.")


class QuestionView(Shown):
    """What a waiting job asks of the person at the bench."""

    code: str = Field(description="Stable code of the question.")
    words: str = Field(description="The question.")
    numbers: dict[str, Any] = Field({}, description="The numbers in it, for programs.")


class JobView(Shown):
    """One piece of work on one programmer."""

    id: str = Field(description="The job's id.")
    number: int = Field(description="Counts jobs in the order they were made.")
    kind: JobKind = Field(description="What it does.")
    state: JobState = Field(description="Where it stands; the last four states are final.")
    programmer_id: str = Field(description="The programmer it runs on.")
    part_id: str | None = Field(None, description="The part it is for.")
    image_sha256: str | None = Field(None, description="The image it uses, or a read brought back.")
    params: dict[str, Any] = Field(description="The request, as it was understood.")
    steps: list[StepView] = Field(description="Its steps in order.")
    question: QuestionView | None = Field(None, description="What it waits to be answered, if it does.")
    estimate: JobEstimate | None = Field(None, description="How long it was thought to take.")
    outcome: OutcomeView | None = Field(None, description="How it ended; null until then.")
    created_at: datetime = Field(description="When it was made, UTC.")
    started_at: datetime | None = Field(None, description="When it began, UTC.")
    ended_at: datetime | None = Field(None, description="When it ended, UTC.")
    continues_id: str | None = Field(None, description="The job whose work it takes up.")
    chip_id: str | None = Field(None, description="Whose chip it is, if it has a number of its own.")
    lot_id: str | None = Field(None, description="The lot that the chip is from, if it is known.")
    bench_id: str = Field(description="The bench that made it.")

    @classmethod
    def of(cls, job: JobRecord) -> "JobView":
        """Show a job of the store."""
        return cls(
            id=job.id,
            number=job.number,
            kind=job.kind,
            state=job.state,
            programmer_id=job.programmer_id,
            part_id=job.part_id,
            image_sha256=job.image_sha256,
            params=dict(job.params),
            steps=[StepView.of(step) for step in job.steps],
            question=_question(job),
            estimate=JobEstimate.model_validate(dict(job.estimate)) if job.estimate else None,
            outcome=OutcomeView.model_validate(dict(job.outcome)) if job.outcome else None,
            created_at=job.created_at,
            started_at=job.started_at,
            ended_at=job.ended_at,
            continues_id=job.continues_id,
            chip_id=job.chip_id,
            lot_id=job.lot_id,
            bench_id=job.bench_id,
        )


class JobList(Shown):
    """Jobs, newest first."""

    jobs: list[JobView] = Field(description="The jobs.")
    next_before: int | None = Field(
        None, description="Give this as `before` for the jobs that come next; null at the end."
    )


def _question(job: JobRecord) -> QuestionView | None:
    if job.state is not JobState.WAITING:
        return None
    for step in job.steps:
        asked = (step.result or {}).get("question") if step.state is StepState.RUNNING else None
        if asked:
            numbers = {name: value for name, value in asked.items() if name not in ("code", "words")}
            return QuestionView(code=asked["code"], words=asked["words"], numbers=numbers)
    return None
