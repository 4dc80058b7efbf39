"""Between a batch in memory and its record: what is written, what comes back, which events are told."""

from dataclasses import replace
from typing import Any

from pydantic import TypeAdapter

from daemon.batches import machine
from daemon.batches.model import COUNTS_AS_MADE, OVER, ChipResult, Plan, State
from daemon.batches.request import BatchRequest
from daemon.batches.words import instruction
from daemon.store.batches import (
    BATCH_CHIP_EVENT,
    BATCH_STATE_EVENT,
    BatchChange,
    BatchRecord,
)
from daemon.store.model import NewEvent

_PLANS: TypeAdapter[Plan] = TypeAdapter(Plan)
_STATES: TypeAdapter[State] = TypeAdapter(State)
_CHIPS: TypeAdapter[ChipResult] = TypeAdapter(ChipResult)


def plan_to_json(plan: Plan, request: BatchRequest) -> dict[str, Any]:
    """Return what a record keeps of how a batch was set up."""
    return {"plan": _PLANS.dump_python(plan, mode="json"), "request": request.model_dump(mode="json")}


def progress_to_json(state: State) -> dict[str, Any]:
    """Return what a record keeps of where a batch stands; its chips are rows of their own."""
    kept: dict[str, Any] = _STATES.dump_python(replace(state, chips=()), mode="json")
    return kept


def read_back(record: BatchRecord) -> tuple[Plan, BatchRequest, State]:
    """Return a batch from its record. Raises ValueError for one of another version."""
    plan = _PLANS.validate_python(record.plan["plan"])
    request = BatchRequest.model_validate(record.plan["request"])
    state = _STATES.validate_python(record.progress)
    chips = tuple(_chip_of(chip) for chip in record.chips)
    return plan, request, replace(state, chips=chips)


_OF_ITEM = ("position", "set_number", "part_id", "image_sha256", "job_id", "at")


def _chip_of(row: Any) -> ChipResult:
    return _CHIPS.validate_python({name: value for name, value in row.items() if name not in _OF_ITEM})


def _chip_row(plan: Plan, chip: ChipResult) -> dict[str, Any]:
    item = plan.items[chip.item]
    return {
        **_CHIPS.dump_python(chip, mode="json"),
        "position": item.position,
        "set_number": item.set_number,
        "part_id": item.part_id,
        "image_sha256": item.image_sha256,
        "job_id": chip.jobs[-1] if chip.jobs else None,
    }


def change_of(plan: Plan, before: State, after: State) -> BatchChange:
    """Return what is to be written after a step."""
    return BatchChange(
        state=str(after.status),
        progress=progress_to_json(after),
        chips=tuple(_chip_row(plan, chip) for chip in _new_chips(before, after)),
        chip_count=len(after.chips),
        ended=after.status in OVER,
    )


def _new_chips(before: State, after: State) -> list[ChipResult]:
    known = {chip.number: chip for chip in before.chips}
    return [chip for chip in after.chips if known.get(chip.number) != chip]


def events_of(batch: BatchRecord, plan: Plan, before: State, after: State) -> list[NewEvent]:
    """Return what front ends are told after a step: each chip that was judged, and what is to be done now."""
    known = {chip.number: chip.verdict for chip in before.chips}
    told = [
        NewEvent(BATCH_CHIP_EVENT, {"batch_id": batch.id, **chip_facts(plan, chip)}, chip_job(chip))
        for chip in after.chips
        if known.get(chip.number) is not chip.verdict
    ]
    facts = state_facts(plan, after)
    if facts != state_facts(plan, before):
        about = {"batch_id": batch.id, "number": batch.number}
        told.append(NewEvent(BATCH_STATE_EVENT, {**about, **facts}, after.job_id, batch.programmer_id))
    return told


def chip_job(chip: ChipResult) -> str | None:
    """Return the job that decided on a chip."""
    return chip.jobs[-1] if chip.jobs else None


def chip_facts(plan: Plan, chip: ChipResult) -> dict[str, Any]:
    """Return what front ends see of one chip; `good` is all that a lamp or a bell needs to know."""
    item = plan.items[chip.item]
    return {
        "number": chip.number,
        "position": item.position,
        "title": item.title,
        "set_number": item.set_number,
        "verdict": str(chip.verdict),
        "good": chip.verdict in COUNTS_AS_MADE,
        "cause": chip.cause,
        "words": chip.words,
        "countable": chip.countable,
    }


def state_facts(plan: Plan, state: State) -> dict[str, Any]:
    """Return what front ends see of a batch as it stands."""
    now = instruction(plan, state)
    return {
        "state": str(state.status),
        "phase": str(state.phase),
        "why": str(state.why) if state.why else None,
        "instruction": {"code": now.code, "words": now.words, "detail": now.detail},
        "made": len(state.made),
        "total": len(plan.items),
        "counts": {str(verdict): count for verdict, count in machine.counts(state).items()},
        "job_id": state.job_id,
    }
