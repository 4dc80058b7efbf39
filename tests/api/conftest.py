"""How the tests of the API reach an application: in memory, or over a real port where streams matter."""

import asyncio
import logging
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
import structlog
from starlette.types import ASGIApp

from api.app import BenchApp, create_app
from api.server import BenchServer
from daemon.bench import Bench
from daemon.settings import Settings
from tests.api.simulated import PORT, simulated_bench

TOKEN = "0123456789abcdef" * 4


class MemoryClient:
    """A client of one application; each request runs on an event loop of its own."""

    def __init__(self, app: ASGIApp, **headers: str) -> None:
        self.app = app
        self._headers = headers

    def request(self, method: str, path: str, **options: Any) -> httpx.Response:
        async def go() -> httpx.Response:
            transport = httpx.ASGITransport(self.app)
            async with httpx.AsyncClient(
                transport=transport, base_url="http://127.0.0.1:7627", headers=self._headers
            ) as client:
                return await client.request(method, path, **options)

        return asyncio.run(go())

    def get(self, path: str, **options: Any) -> httpx.Response:
        return self.request("GET", path, **options)

    def post(self, path: str, **options: Any) -> httpx.Response:
        return self.request("POST", path, **options)

    def delete(self, path: str, **options: Any) -> httpx.Response:
        return self.request("DELETE", path, **options)


@dataclass
class Live:
    """An application served on a real port by a thread."""

    url: str
    server: BenchServer
    thread: threading.Thread

    @property
    def headers(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {TOKEN}"}


@pytest.fixture
def memory_client() -> Callable[..., MemoryClient]:
    return MemoryClient


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(
        state_dir=tmp_path / "state",
        runtime_dir=tmp_path / "runtime",
        parts_dir=tmp_path / "parts",
        discover_serial=False,
        discover_usb=False,
    )


@pytest.fixture
def bench(settings: Settings) -> Iterator[Bench]:
    """A real bench without a programmer; its workers are not started."""
    opened = Bench.open(settings)
    yield opened
    opened.stop()


@pytest.fixture
def app(bench: Bench, settings: Settings) -> BenchApp:
    return create_app(bench, TOKEN, settings)


@pytest.fixture
def client(app: BenchApp) -> MemoryClient:
    return MemoryClient(app, Authorization=f"Bearer {TOKEN}")


@contextmanager
def served(app: BenchApp) -> Iterator[Live]:
    """Serve on a free port of this machine until the block ends."""
    ready = threading.Event()
    server = BenchServer(app, on_ready=ready.set)
    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        try:
            assert ready.wait(10)
            yield Live(f"http://127.0.0.1:{listener.getsockname()[1]}", server, thread)
        finally:
            server.ask_to_stop()
            thread.join(10)
            assert not thread.is_alive()


@pytest.fixture
def live(app: BenchApp) -> Iterator[Live]:
    with served(app) as running:
        yield running


@pytest.fixture(autouse=True)
def logging_as_it_was() -> Iterator[None]:
    """Undo what setting up logs does to the whole process."""
    root = logging.getLogger()
    handlers, level = list(root.handlers), root.level
    yield
    root.handlers[:] = handlers
    root.setLevel(level)
    logging.captureWarnings(False)
    structlog.reset_defaults()


@pytest.fixture
def sim(settings: Settings) -> Iterator[Bench]:
    """A started bench with a simulated programmer that holds a blank chip."""
    with simulated_bench(settings.model_copy(update={"ports": (PORT,)})) as started:
        yield started


@pytest.fixture
def http(sim: Bench) -> MemoryClient:
    """A client of that bench."""
    return MemoryClient(create_app(sim, TOKEN, sim.settings), Authorization=f"Bearer {TOKEN}")
