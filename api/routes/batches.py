"""Batches: N sets of a board, chip by chip."""

from typing import Annotated

from fastapi import APIRouter, Body, Depends, Path, Query, Response

from api.idempotency import Once, once
from api.report_forms import JUNIT_TYPE, REPORT_RESPONSES, Form, ReportForm
from api.schemas.batches import BatchList, BatchReport, BatchView
from api.wiring import PLAIN, BenchHere, LeaseId
from daemon.batches.request import BatchAct, BatchRequest
from daemon.reports import batch_junit

PATH = "/v1/batches"

router = APIRouter(prefix=PATH, tags=["batches"])

_COUNT_MAX = (1 << 63) - 1
BatchId = Annotated[str, Path(max_length=100, pattern=PLAIN, description="Batch id or number.")]
BatchBody = Annotated[
    BatchRequest, Body(examples=[{"board": "tern-16", "sets": 20, "policy": {"stop_after_rejects": 3}}])
]
ActBody = Annotated[BatchAct, Body(examples=[{"act": "pause"}])]


@router.post("", status_code=202)
def start_batch(
    bench: BenchHere,
    batch: BatchBody,
    request_once: Annotated[Once, Depends(once)],
    response: Response,
    lease_id: LeaseId = None,
) -> BatchView:
    """Set a batch going. It asks for one chip after another, and starts by itself on each that is put in.

    Follow it by the `batch-state` and `batch-chip` events of `/v1/events`, or look at it again.
    """

    def make() -> BatchView:
        live = bench.batches.create(batch, lease_id=lease_id, idempotency_key=request_once.key)
        return BatchView.of(live)

    def made_before(key: str) -> BatchView | None:
        record = bench.store.batches.find_by_key(key)
        return BatchView.of(bench.batches.get(record.id)) if record is not None else None

    shown = request_once.make(BatchView, make, made_before, response)
    response.headers["Location"] = f"{PATH}/{shown.id}"
    return shown


@router.get("")
def list_batches(
    bench: BenchHere,
    limit: Annotated[int, Query(ge=1, le=100, description="How many at most.")] = 20,
    before: Annotated[
        int | None, Query(ge=1, le=_COUNT_MAX, description="Only batches with a number below this.")
    ] = None,
) -> BatchList:
    """List batches, newest first."""
    found = bench.batches.list(limit=limit, before_number=before)
    return BatchList(
        batches=[BatchView.of(live) for live in found],
        next_before=found[-1].record.number if len(found) == limit else None,
    )


@router.get("/{batch_id}")
def show_batch(bench: BenchHere, batch_id: BatchId) -> BatchView:
    """Show a batch as it stands, with what is to be done now."""
    return BatchView.of(bench.batches.get(batch_id))


@router.post("/{batch_id}/acts")
def act_on_batch(bench: BenchHere, batch_id: BatchId, act: ActBody, lease_id: LeaseId = None) -> BatchView:
    """Pause, resume or end a batch, or say what a person at the bench would: chip in, label on, count it."""
    return BatchView.of(bench.batches.act(batch_id, act, lease_id=lease_id))


@router.get("/{batch_id}/report", response_model=BatchReport, responses=REPORT_RESPONSES)
def report_batch(bench: BenchHere, batch_id: BatchId, form: Form = ReportForm.JSON) -> BatchReport | Response:
    """Report a batch, finished or not: each chip, yield, times, rejects by cause, what remains."""
    live = bench.batches.get(batch_id)
    if form is ReportForm.JSON:
        return BatchReport.of(live)
    text = batch_junit(live.record.number, live.plan, live.state, live.record.created_at)
    return Response(text, media_type=JUNIT_TYPE)
