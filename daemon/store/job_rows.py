"""How a job stands in its row: enums as text, steps as a JSON list with ISO 8601 times."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy.engine import Row

from daemon.store.model import JobKind, JobRecord, JobState, Step, StepState


def row_of(job: JobRecord) -> dict[str, Any]:
    """Return the columns of a job, without its number, which the database gives."""
    return {
        "id": job.id,
        "bench_id": job.bench_id,
        "programmer_id": job.programmer_id,
        "kind": str(job.kind),
        "state": str(job.state),
        "params": dict(job.params),
        "part_id": job.part_id,
        "image_sha256": job.image_sha256,
        "steps": [_step_to_json(step) for step in job.steps],
        "estimate": _plain(job.estimate),
        "outcome": _plain(job.outcome),
        "created_at": job.created_at,
        "started_at": job.started_at,
        "ended_at": job.ended_at,
        "idempotency_key": job.idempotency_key,
        "continues_id": job.continues_id,
        "chip_id": job.chip_id,
        "lot_id": job.lot_id,
    }


def record_of(row: Row[Any]) -> JobRecord:
    """Read a job from a row of every column."""
    values = dict(row._mapping)
    values["kind"] = JobKind(values["kind"])
    values["state"] = JobState(values["state"])
    values["steps"] = tuple(_step_from_json(step) for step in values["steps"])
    return JobRecord(**values)


def _step_to_json(step: Step) -> dict[str, Any]:
    # By hand and not by `asdict`, which copies deeply: a running job writes its steps several times a second.
    return {
        "name": step.name,
        "title": step.title,
        "state": str(step.state),
        "done_bytes": step.done_bytes,
        "total_bytes": step.total_bytes,
        "started_at": step.started_at.isoformat() if step.started_at else None,
        "ended_at": step.ended_at.isoformat() if step.ended_at else None,
        "result": _plain(step.result),
        "acknowledged": step.acknowledged,
    }


def _step_from_json(values: Mapping[str, Any]) -> Step:
    return Step(
        name=values["name"],
        title=values["title"],
        state=StepState(values["state"]),
        done_bytes=values["done_bytes"],
        total_bytes=values["total_bytes"],
        started_at=_time(values["started_at"]),
        ended_at=_time(values["ended_at"]),
        result=values["result"],
        acknowledged=tuple((start, end) for start, end in values.get("acknowledged", ())),
    )


def _time(text: str | None) -> datetime | None:
    return datetime.fromisoformat(text) if text else None


def _plain(value: Mapping[str, Any] | None) -> dict[str, Any] | None:
    return None if value is None else dict(value)
