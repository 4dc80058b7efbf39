"""Makes the application: routes, guard, problems and streams around one bench."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from starlette.middleware import Middleware
from starlette.types import ASGIApp

from api import pages
from api.events import EventHub
from api.late import LateRooms, LoadBeforeUnknown
from api.metrics import CountRequests, Counts
from api.problems import MEDIA_TYPE, STATUS, CatchAll, install, title_of
from api.routes import events, images, jobs, programmers, system
from api.schemas.common import Problem
from api.security import SMALL_BODY_BYTES, Guard, GuardRules
from daemon.bench import Bench
from daemon.settings import Settings

OPENAPI_PATH = "/openapi.json"
OPEN_PATHS = frozenset({"/healthz", OPENAPI_PATH, *pages.PAGES})
"""What needs no token: that the daemon lives, and the pages and description, which hold no data."""

_EARLY = ("/healthz", "/readyz", "/version", "/metrics", "/v1/programmers", "/v1/jobs", "/v1/events")
"""Paths whose routes are all there from the start."""

_ANY_ADDRESS = frozenset({"0.0.0.0", "::"})  # noqa: S104 - compared with, not bound to
_TAGS = {
    "jobs": "One piece of work on one programmer. `program` is the whole main job; the other kinds are its"
    " steps on their own.",
    "programmers": "The hardware with the socket.",
    "images": "Content to be programmed, identified by its SHA-256.",
    "boards": "Products: which part and which exact content go in each position.",
    "batches": "N sets of a board, one chip after another: hands-free, counted, kept across restarts.",
    "parts": "The catalogue of chip types.",
    "adapters": "What sits between chip and socket: other packages, other places of a signal.",
    "erasure": "How long to expose a chip to UV light.",
    "lamps": "UV lamps, the light on their trays, and what was learned of them.",
    "exposures": "Trays under a lamp, with a countdown. No lamp is switched by this.",
    "lots": "Chips by lot, and chips that have a number of their own.",
    "events": "What happens on the bench, as server-sent events.",
    "system": "The daemon itself.",
}
_DESCRIPTION = """The right image in the right socketed memory chip.

Send the bench's token with each request: `Authorization: Bearer TOKEN`. It is in the runtime file that the
daemon writes when it starts; `romwright config` shows where. Bodies are JSON, but for images, which are sent
as the bytes they are. Numbers have their unit at the end of their name.
"""


class BenchApp(FastAPI):
    """The application with the guard around everything, its own error pages included."""

    def __init__(self, rules: GuardRules, counts: Counts, **options: Any) -> None:
        super().__init__(**options)
        self._rules = rules
        self._counts = counts
        self.late = LateRooms(self)

    def build_middleware_stack(self) -> ASGIApp:
        """Put the guard outside even of the framework's last resort, so that no answer leaves without it."""
        inner = super().build_middleware_stack()
        inner = LoadBeforeUnknown(inner, self.late, _EARLY, pages.PAGES)
        guard = Guard(inner, self._rules, on_refused_token=self._counts.refuse_token)
        return CountRequests(guard, self._counts)

    def openapi(self) -> dict[str, Any]:
        """Return the description of the API (OpenAPI 3.1); made once."""
        self.late.load()
        if self.openapi_schema is None:
            self.openapi_schema = _describe(self)
        return self.openapi_schema


def create_app(bench: Bench, token: str, settings: Settings) -> BenchApp:
    """Make the application that serves `bench` to whoever knows `token`."""
    upload_bytes = int(settings.max_image_bytes)
    rules = GuardRules.of(
        token,
        extra_hosts=_host_names(settings),
        origins=settings.allowed_origins,
        open_paths=OPEN_PATHS,
        body_limits_bytes={("POST", images.PATH): upload_bytes},
    )
    counts, hub = Counts(), EventHub(bench)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        hub.start()
        yield
        hub.stop()

    app = BenchApp(
        rules,
        counts,
        title="romwright",
        version=system.daemon_version(),
        description=_DESCRIPTION,
        openapi_tags=[{"name": name, "description": words} for name, words in _TAGS.items()],
        openapi_url=OPENAPI_PATH,
        docs_url=None,  # the framework's own pages load scripts from elsewhere
        redoc_url=None,
        redirect_slashes=False,
        lifespan=lifespan,
        generate_unique_id_function=lambda route: route.name,
        middleware=[Middleware(CatchAll)],
        max_body_size=SMALL_BODY_BYTES,
        telemetry={"tracing": False, "metrics": False, "logs": False, "auto_configure": False},
    )
    app.state.bench, app.state.counts, app.state.hub = bench, counts, hub
    install(app)
    app.include_router(pages.router)
    for room in (system, programmers, images, jobs, events):
        app.include_router(room.router)
    app.include_router(images.upload_router(upload_bytes))
    return app


def _host_names(settings: Settings) -> list[str]:
    """Return the names we may be called by beside the loopback's; IPv6 addresses stand in brackets."""
    names = [*settings.allowed_hosts]
    if settings.host not in _ANY_ADDRESS:
        names.append(settings.host)
    return [f"[{name}]" if ":" in name else name for name in names]


def _describe(app: BenchApp) -> dict[str, Any]:
    described = get_openapi(
        title=app.title,
        version=app.version,
        description=app.description,
        tags=app.openapi_tags,
        routes=app.routes,
    )
    components = described.setdefault("components", {})
    schemas = components.setdefault("schemas", {})
    schemas["Problem"] = Problem.model_json_schema()
    for name in ("HTTPValidationError", "ValidationError"):
        schemas.pop(name, None)  # the framework's own shape of a refusal, which is never sent
    components["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
    described["security"] = [{"token": []}]
    problem = {
        "description": "Why it failed; the codes are listed under problems.",
        "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
    }
    for operations in described["paths"].values():
        for operation in operations.values():
            operation["responses"].pop("422", None)
            operation["responses"]["default"] = problem
            for answer in operation["responses"].values():
                if answer["description"] == "Successful Response":
                    answer["description"] = "Done."
    described["x-problems"] = {
        str(code): {"status": int(status), "title": title_of(code)} for code, status in STATUS.items()
    }
    return described
