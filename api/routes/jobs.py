"""Jobs: start, list, show, cancel, continue, answer; what a read brought back; what a job would do."""

from typing import Annotated

from fastapi import APIRouter, Body, Depends, Path, Query, Response

from api.idempotency import Once, once
from api.report_forms import JUNIT_TYPE, REPORT_RESPONSES, ReportForm
from api.report_forms import Form as ReportFormHere
from api.routes.images import FILE_RESPONSES, Format, file_answer
from api.schemas.jobs import JobList, JobView
from api.schemas.preview import JobPreviewView
from api.wiring import PLAIN, BenchHere, LeaseId
from daemon.images.model import ImageFormat
from daemon.jobs.request import Answer, JobRequest
from daemon.store.model import JobState

_COUNT_MAX = (1 << 63) - 1

router = APIRouter(prefix="/v1/jobs", tags=["jobs"])

JobId = Annotated[str, Path(max_length=100, pattern=PLAIN, description="Job id.")]
JobBody = Annotated[
    JobRequest,
    Body(examples=[{"kind": "program", "part": "M27C512", "image": "SHA-256 of an uploaded image"}]),
]
OnceHere = Annotated[Once, Depends(once)]


@router.post("", status_code=202)
def start_job(
    bench: BenchHere, job: JobBody, once: OnceHere, response: Response, lease_id: LeaseId = None
) -> JobView:
    """Start a job: it is recorded, then waits for its turn on the programmer.

    The answer comes at once; follow the job by its events, or look at it again.
    """
    return once.make_job(lambda: bench.submit(job, lease_id=lease_id, idempotency_key=once.key), response)


@router.post("/preview")
def preview_job(bench: BenchHere, job: JobBody) -> JobPreviewView:
    """Show what a job would do to the chip, before anything is energised: supplies, pins, pulse, time.

    Compare it with the marking on the chip. Nothing is recorded.
    """
    return JobPreviewView.of(bench.preview(job))


@router.get("")
def list_jobs(
    bench: BenchHere,
    state: Annotated[JobState | None, Query(description="Only jobs in this state.")] = None,
    programmer: Annotated[
        str | None,
        Query(max_length=200, pattern=PLAIN, description="Only jobs of this programmer, by id or name."),
    ] = None,
    limit: Annotated[int, Query(ge=1, le=500, description="How many at most.")] = 50,
    before: Annotated[
        int | None, Query(ge=1, le=_COUNT_MAX, description="Only jobs with a number below this.")
    ] = None,
) -> JobList:
    """List jobs, newest first."""
    found = bench.jobs(state=state, programmer=programmer, limit=limit, before_number=before)
    return JobList(
        jobs=[JobView.of(job) for job in found], next_before=found[-1].number if len(found) == limit else None
    )


@router.get("/{job_id}")
def show_job(bench: BenchHere, job_id: JobId) -> JobView:
    """Show one job as it stands."""
    return JobView.of(bench.job(job_id))


@router.post("/{job_id}/cancel", status_code=202)
def cancel_job(bench: BenchHere, job_id: JobId) -> JobView:
    """Cancel a job: at once while it waits, at the next word of the chip while it runs."""
    return JobView.of(bench.cancel(job_id))


@router.post("/{job_id}/continue", status_code=202)
def continue_job(
    bench: BenchHere, job_id: JobId, once: OnceHere, response: Response, lease_id: LeaseId = None
) -> JobView:
    """Take up a job that was cut off, as a new job that inspects the chip first."""
    return once.make_job(
        lambda: bench.continue_job(job_id, lease_id=lease_id, idempotency_key=once.key), response
    )


@router.post("/{job_id}/answer")
def answer_job(bench: BenchHere, job_id: JobId, answer: Answer) -> JobView:
    """Answer what a waiting job asks of the person at the bench."""
    return JobView.of(bench.answer(job_id, answer))


@router.get("/{job_id}/content", response_class=Response, responses=FILE_RESPONSES)
def job_content(bench: BenchHere, job_id: JobId, format: Format = ImageFormat.RAW) -> Response:
    """Download what a read brought back."""
    return file_answer(bench.job_content(job_id, format), job_id, format)


@router.get("/{job_id}/report", response_model=JobView, responses=REPORT_RESPONSES)
def report_job(bench: BenchHere, job_id: JobId, form: ReportFormHere = ReportForm.JSON) -> JobView | Response:
    """Report a job, as JSON or as JUnit XML: a test case for each check."""
    job = bench.job(job_id)
    if form is ReportForm.JSON:
        return JobView.of(job)
    # Late: few jobs are reported so.
    from daemon.reports import job_junit

    return Response(job_junit(job), media_type=JUNIT_TYPE)
