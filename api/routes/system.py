"""Whether the daemon lives and is ready, which version it is, and its figures."""

from functools import cache
from importlib.metadata import version

from fastapi import APIRouter, Response

from api.events import EventHub
from api.metrics import CONTENT_TYPE, Gauge, render
from api.routes.events import Hub
from api.schemas.system import Alive, Readiness, Version
from api.wiring import BenchHere, CountsHere
from daemon.bench import Bench

API_VERSION = "v1"

router = APIRouter(tags=["system"])


@cache
def daemon_version() -> str:
    """Return the version of the installed program."""
    return version("romwright")


@router.get("/healthz", openapi_extra={"security": []})
def healthz() -> Alive:
    """Say that the daemon answers. Needs no token and tells nothing else."""
    return Alive(status="ok")


@router.get("/readyz", responses={503: {"model": Readiness, "description": "It cannot work now."}})
def readyz(bench: BenchHere, response: Response) -> Readiness:
    """Say whether the bench can work; 503 if not."""
    health = bench.health()
    if not health.ready:
        response.status_code = 503
    return Readiness(
        ready=health.ready,
        problems=list(health.problems),
        free_bytes=health.free_bytes,
        programmers=health.programmers,
    )


@router.get("/version")
def show_version(bench: BenchHere) -> Version:
    """Say which version this is, and which versions of the API it has."""
    return Version(
        name="romwright",
        version=daemon_version(),
        api_version=API_VERSION,
        api_version_min=API_VERSION,
        bench_id=bench.store.bench_id,
    )


@router.get(
    "/metrics",
    response_class=Response,
    responses={200: {"description": "Prometheus' text format.", "content": {"text/plain": {}}}},
)
def metrics(bench: BenchHere, counts: CountsHere, hub: Hub) -> Response:
    """Give figures for a monitoring system, in Prometheus' text format."""
    return Response(render(counts, _gauges(bench, hub)), headers={"Content-Type": CONTENT_TYPE})


def _gauges(bench: Bench, hub: EventHub) -> list[Gauge]:
    programmers = bench.programmers()
    states: dict[tuple[str, ...], float] = {}
    for view in programmers:
        states[view.state,] = states.get((view.state,), 0) + 1
    queued = sum(view.queued_jobs for view in programmers)
    running = sum(view.running_job_id is not None for view in programmers)
    health = bench.health()
    return [
        Gauge("romwright_info", "Version.", {(daemon_version(),): 1}, ("version",)),
        Gauge("romwright_ready", "Whether the bench can work.", {(): float(health.ready)}),
        Gauge("romwright_free_bytes", "Room for images.", {(): health.free_bytes}),
        Gauge("romwright_event_streams", "Event streams that are open.", {(): hub.open_streams}),
        Gauge("romwright_programmers", "Programmers by state.", states, ("state",)),
        Gauge("romwright_queued_jobs", "Jobs that wait.", {(): queued}),
        Gauge("romwright_running_jobs", "Jobs that run.", {(): running}),
    ]
