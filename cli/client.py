"""A client of the daemon's HTTP interface: JSON in, JSON out, problems as `Failure`."""

import contextlib
import json
from collections.abc import Generator, Iterator
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

import httpx
import httpx_sse

from cli.exit_codes import Exit
from cli.failure import Failure, status_of

_CONNECT_S = 3.0
_ANSWER_S = 30.0
_MAKING_S = 600.0
_STREAM_S = 40.0
"""A stream says something at least every 15 s, so this silence means that the daemon is gone."""
_PROBLEM_TYPE = "application/problem+json"


@dataclass(frozen=True, slots=True)
class Event:
    """One server-sent event: its number, its type, and the JSON object that it carries."""

    id: int
    type: str
    data: dict[str, Any]


class BenchClient:
    """Talks to one daemon. Raises `Failure` for everything that goes wrong.

    Proxies of the environment are ignored: the daemon is on this machine, or on one that was named.
    """

    def __init__(self, url: str, token: str, *, transport: httpx.BaseTransport | None = None) -> None:
        self.url = url.rstrip("/")
        self.token = token
        self.started_now = False
        """Whether the daemon was started for this client and may not have found its programmers yet."""
        self._http = httpx.Client(
            base_url=self.url,
            headers={"Authorization": f"Bearer {token}"} if token else {},
            timeout=httpx.Timeout(_ANSWER_S, connect=_CONNECT_S),
            trust_env=False,
            transport=transport,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connections."""
        self._http.close()

    def get(self, path: str, **query: Any) -> Any:
        """Return the JSON at `path`; query values that are None are left out."""
        return self._json("GET", path, params=_given(query))

    def post(self, path: str, body: Any = None, **headers: str) -> Any:
        """Send a JSON body; return the JSON that comes back (None for none)."""
        return self._json("POST", path, json=body, headers=headers) if body is not None else self._json(
            "POST", path, headers=headers
        )  # fmt: skip

    def patch(self, path: str, body: Any) -> Any:
        """Change something; return the JSON that comes back."""
        return self._json("PATCH", path, json=body)

    def delete(self, path: str) -> None:
        """Delete what is at `path`."""
        self._json("DELETE", path)

    def upload(self, path: str, content: bytes, **query: Any) -> Any:
        """Send plain bytes; return the JSON that comes back."""
        return self._json(
            "POST",
            path,
            params=_given(query),
            content=content,
            headers={"Content-Type": "application/octet-stream"},
        )

    def download(self, path: str, **query: Any) -> bytes:
        """Return the bytes at `path`. A table or a backup of a large bench takes its time to make."""
        with _reaching(self.url):
            timeout = httpx.Timeout(_MAKING_S, connect=_CONNECT_S)
            answer = self._http.get(path, params=_given(query), timeout=timeout)
        _refuse_problem(answer)
        return answer.content

    def sheets(self, path: str, body: Any, **query: Any) -> tuple[bytes, int]:
        """Send a JSON body; return the document that comes back, and of how many sheets it is one."""
        with _reaching(self.url):
            answer = self._http.post(path, json=body, params=_given(query))
        _refuse_problem(answer)
        return answer.content, int(answer.headers.get("Sheets", 1))

    def events(self, path: str, last_id: int | None = None) -> Generator[Event, None, None]:
        """Give the events of a stream until the daemon ends it, those after number `last_id` only.

        A stream that breaks ends with a `Failure` of status UNREACHABLE; the caller may go on from the last
        number it saw.
        """
        headers = {"Last-Event-ID": str(last_id)} if last_id is not None else {}
        timeout = httpx.Timeout(_STREAM_S, connect=_CONNECT_S)
        with (
            _reaching(self.url),
            httpx_sse.connect_sse(self._http, "GET", path, headers=headers, timeout=timeout) as source,
        ):
            if source.response.is_error:
                source.response.read()
                _refuse_problem(source.response)
            for each in source.iter_sse():
                if each.data:
                    yield Event(int(each.id or 0), each.event, json.loads(each.data))

    def _json(self, method: str, path: str, **options: Any) -> Any:
        with _reaching(self.url):
            answer = self._http.request(method, path, **options)
        _refuse_problem(answer)
        if not answer.content:
            return None
        try:
            return answer.json()
        except ValueError as error:
            raise _not_ours(self.url) from error


def _given(query: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in query.items() if value is not None}


@contextlib.contextmanager
def _reaching(url: str) -> Iterator[None]:
    try:
        yield
    except httpx.TimeoutException as error:
        raise Failure(
            Exit.UNREACHABLE,
            f"the bench daemon at {url} does not answer in time",
            "Look at its log (`romwright doctor` says where it is), or stop it and start it again.",
        ) from error
    except httpx.TransportError as error:
        raise Failure(
            Exit.UNREACHABLE,
            f"the bench daemon at {url} cannot be reached: {error or type(error).__name__}",
            "`romwright doctor` shows whether it runs.",
        ) from error


def _refuse_problem(answer: httpx.Response) -> None:
    if not answer.is_error:
        return
    if not answer.headers.get("content-type", "").startswith(_PROBLEM_TYPE):
        raise _not_ours(str(answer.url), answer.status_code)
    problem = answer.json()
    code = str(problem.get("code", ""))
    raise Failure(
        status_of(code),
        str(problem.get("detail") or problem.get("title") or f"refused with status {answer.status_code}"),
        str(problem.get("hint") or ""),
        code=code,
        field=problem.get("field"),
        details=problem.get("details"),
    )


def _not_ours(url: str, http_status: int | None = None) -> Failure:
    status = f" (status {http_status})" if http_status else ""
    return Failure(
        Exit.UNREACHABLE,
        f"{url} answers, but not as a bench daemon does{status}",
        "Another program may have its port: `romwright doctor` shows what runs.",
    )
