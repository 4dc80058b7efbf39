"""What a job's record says to its batch."""

from typing import Any

from daemon.batches import events as happened
from daemon.batches.judging import judge
from daemon.batches.model import Plan, State
from daemon.store.model import ENDED_STATES, JobRecord, JobState, StepState

NEXT_CHIP = "next-chip"
"""The step that waits for the chip, and the code of its question (`daemon.jobs.steps.awaiting`)."""


def news_of(plan: Plan, state: State, job: JobRecord) -> list[happened.Event]:
    """Return what the record of the batch's job says, in order; told again, it changes nothing."""
    news: list[happened.Event] = []
    waiting = next((step for step in job.steps if step.name == NEXT_CHIP), None)
    arrived = state.arrived
    if not arrived and waiting is not None and waiting.state is StepState.DONE:
        news.append(happened.Arrived(job.id))
        arrived = True
    asked = _question(job) if job.state is JobState.WAITING else {}
    if asked.get("code") == NEXT_CHIP:
        news.append(happened.Seat(job.id, str(asked.get("seat", "")), str(asked.get("words", ""))))
    elif arrived:
        news.append(happened.Asked(job.id, str(asked.get("words", ""))))
    if job.state in ENDED_STATES and state.order is not None:
        by_light = plan.items[state.order.item].by_light
        news.append(happened.Ended(job.id, judge(job.state, job.outcome or {}, by_light=by_light)))
    return news


def _question(job: JobRecord) -> dict[str, Any]:
    for step in job.steps:
        if step.state is StepState.RUNNING and step.result and "question" in step.result:
            return dict(step.result["question"])
    return {}
