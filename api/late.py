"""Rooms of the API that nobody needs in the first second: loaded when one of them is asked for.

Somebody waits for the daemon to be ready, since a command starts it. Programmers, images, jobs and
events are there at once. What imports much and is used now and then costs the first that asks a moment, and a
bench that only programs chips none of its memory.
"""

import threading
from collections.abc import Container
from importlib import import_module

from fastapi import FastAPI
from starlette.concurrency import run_in_threadpool
from starlette.types import ASGIApp, Receive, Scope, Send

ROOMS = (
    "parts",
    "adapters",
    "contents",
    "matches",
    "boards",
    "batches",
    "erasure",
    "lamps",
    "exposures",
    "tray_checks",
    "lots",
    "labels",
    "records",
)


class LateRooms:
    """The routes of `ROOMS`, added to the application once, whoever comes first."""

    def __init__(self, app: FastAPI) -> None:
        self._app = app
        self._lock = threading.Lock()
        self.loaded = False

    def load(self) -> None:
        """Add the routes now, in the calling thread. No-op when they are there."""
        with self._lock:
            if self.loaded:
                return
            rooms = [import_module(f"api.routes.{name}") for name in ROOMS]
            for room in rooms:
                self._app.include_router(room.router)
            self._app.openapi_schema = None
            self.loaded = True

    async def load_soon(self) -> None:
        """Add the routes without holding up the event loop."""
        if not self.loaded:
            await run_in_threadpool(self.load)


class LoadBeforeUnknown:
    """Waits for the late rooms when a request is for no route that is there yet."""

    def __init__(
        self, inner: ASGIApp, late: LateRooms, early_prefixes: tuple[str, ...], early_paths: Container[str]
    ) -> None:
        self._inner = inner
        self._late = late
        self._early_prefixes = early_prefixes
        self._early_paths = early_paths

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, once whoever may serve it is there."""
        if scope["type"] == "http":
            path = str(scope["path"])
            if path not in self._early_paths and not path.startswith(self._early_prefixes):
                await self._late.load_soon()
        await self._inner(scope, receive, send)
