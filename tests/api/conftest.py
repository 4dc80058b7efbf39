"""How the tests of the API talk to an application: in memory, without a port."""

import asyncio
from collections.abc import Callable
from typing import Any

import httpx
import pytest
from starlette.types import ASGIApp


class MemoryClient:
    """A client of one application; each request runs on an event loop of its own."""

    def __init__(self, app: ASGIApp, **headers: str) -> None:
        self._app = app
        self._headers = headers

    def request(self, method: str, path: str, **options: Any) -> httpx.Response:
        async def go() -> httpx.Response:
            transport = httpx.ASGITransport(self._app)
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


@pytest.fixture
def memory_client() -> Callable[..., MemoryClient]:
    return MemoryClient
