"""One row for each control of the security checklist that concerns HTTP."""

import asyncio
from dataclasses import dataclass, field

import httpx
import pytest
from starlette.responses import PlainTextResponse
from starlette.types import Receive, Scope, Send

from api.security import REFUSAL_DELAY_S, SECURITY_HEADERS, SMALL_BODY_BYTES, Guard, GuardRules

TOKEN = "0123456789abcdef" * 4
PORT = 7627
OWN = f"http://127.0.0.1:{PORT}"
FRIEND = "https://bench.example"
LARGE = SMALL_BODY_BYTES * 4


class Inner:
    """Stands for everything behind the guard; notes what reached it."""

    def __init__(self) -> None:
        self.reached = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        self.reached += 1
        await PlainTextResponse("inside")(scope, receive, send)


class World:
    def __init__(self) -> None:
        self.inner = Inner()
        self.slept: list[float] = []
        self.refused_tokens = 0
        rules = GuardRules.of(
            TOKEN,
            extra_hosts=["bench.local"],
            origins=[FRIEND],
            open_paths=["/healthz", "/"],
            body_limits_bytes={("POST", "/v1/images"): LARGE},
        )
        self.guard = Guard(self.inner, rules, on_refused_token=self._count, sleep=self._sleep)

    def _count(self) -> None:
        self.refused_tokens += 1

    async def _sleep(self, duration_s: float) -> None:
        self.slept.append(duration_s)

    def send(
        self, method: str, path: str, headers: list[tuple[str, str]], body: bytes = b""
    ) -> httpx.Response:
        async def go() -> httpx.Response:
            transport = httpx.ASGITransport(self.guard)
            async with httpx.AsyncClient(transport=transport, base_url=OWN) as client:
                request = client.build_request(method, path, content=body or None)
                kept = [(k, v) for k, v in request.headers.multi_items() if k == "content-length"]
                request.headers = httpx.Headers([*kept, *headers])
                return await client.send(request)

        return asyncio.run(go())


@pytest.fixture
def world() -> World:
    return World()


HOST = ("Host", f"127.0.0.1:{PORT}")
AUTH = ("Authorization", f"Bearer {TOKEN}")
JSON = ("Content-Type", "application/json")
BYTES = ("Content-Type", "application/octet-stream")


@dataclass(frozen=True)
class Row:
    name: str
    status: int
    code: str = ""
    headers: tuple[tuple[str, str], ...] = (HOST, AUTH)
    method: str = "GET"
    path: str = "/v1/jobs"
    body: bytes = b""
    reached: bool = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "reached", self.status == 200)


def host(value: str) -> tuple[tuple[str, str], ...]:
    return (("Host", value), AUTH)


def sender(*extra: tuple[str, str]) -> tuple[tuple[str, str], ...]:
    return (HOST, AUTH, *extra)


ROWS = [
    # Host allow-list: every route, every method. Forms of the header: RFC 9110, section 7.2.
    Row("host with port", 200, headers=host("localhost:7627")),
    Row("host without port", 200, headers=host("127.0.0.1")),
    Row("host IPv6", 200, headers=host("[::1]:7627")),
    Row("host IPv6 without port", 200, headers=host("[::1]")),
    Row("host in capitals", 200, headers=host("LOCALHOST")),
    Row("host from the settings", 200, headers=host("bench.local:80")),
    Row("host foreign", 400, "host-refused", host("rebound.example:7627")),
    Row("host empty", 400, "host-refused", host("")),
    Row("host port only", 400, "host-refused", host(":7627")),
    Row("host joined by comma", 400, "host-refused", host("localhost,rebound.example")),
    Row("host with a user part", 400, "host-refused", host("localhost@rebound.example")),
    Row("host with words for a port", 400, "host-refused", host("localhost:rebound.example")),
    Row("host twice", 400, "host-refused", (HOST, HOST, AUTH)),
    Row("host absent", 400, "host-refused", (AUTH,)),
    Row("host foreign on an open route", 400, "host-refused", (("Host", "evil.example"),), path="/healthz"),
    Row("host foreign on POST", 400, "host-refused", host("evil.example"), "POST"),
    Row("host foreign on DELETE", 400, "host-refused", host("evil.example"), "DELETE"),
    Row("host foreign on OPTIONS", 400, "host-refused", host("evil.example"), "OPTIONS"),
    Row("host foreign on TRACE", 400, "host-refused", host("evil.example"), "TRACE"),
    # Origin: a present, unlisted one is refused.
    Row("origin own", 200, headers=sender(("Origin", OWN))),
    Row("origin own by another of its names", 200, headers=sender(("Origin", "http://localhost:7627"))),
    Row("origin listed", 200, headers=sender(("Origin", FRIEND)), method="POST"),
    Row("origin foreign", 403, "origin-refused", sender(("Origin", "https://evil.example")), "POST"),
    Row("origin foreign on GET", 403, "origin-refused", sender(("Origin", "https://evil.example"))),
    Row("origin of another local port", 403, "origin-refused", sender(("Origin", "http://127.0.0.1:3000"))),
    Row("origin of another scheme", 403, "origin-refused", sender(("Origin", "https://127.0.0.1:7627"))),
    Row("origin null", 403, "origin-refused", sender(("Origin", "null")), "POST"),
    Row("origin broken", 403, "origin-refused", sender(("Origin", "http://[::1")), "POST"),
    Row(
        "origin equal to a rebound host",
        400,
        "host-refused",
        (("Host", "evil.example:7627"), AUTH, ("Origin", "http://evil.example:7627")),
        "POST",
    ),
    # Sec-Fetch-Site: only same-origin or none.
    Row("fetch site none", 200, headers=sender(("Sec-Fetch-Site", "none"))),
    Row("fetch site same-origin", 200, headers=sender(("Sec-Fetch-Site", "same-origin"))),
    Row("fetch site cross-site", 403, "origin-refused", sender(("Sec-Fetch-Site", "cross-site"))),
    Row("fetch site same-site", 403, "origin-refused", sender(("Sec-Fetch-Site", "same-site"))),
    Row(
        "fetch site cross-site on the page",
        403,
        "origin-refused",
        (HOST, ("Sec-Fetch-Site", "cross-site")),
        path="/",
    ),
    Row(
        "fetch site cross-site of a listed origin",
        200,
        headers=sender(("Sec-Fetch-Site", "cross-site"), ("Origin", FRIEND)),
    ),
    # Token: in the header only, on all but the open routes; no cookies.
    Row("token absent", 401, "access-unproven", (HOST,)),
    Row("token wrong", 401, "access-refused", (HOST, ("Authorization", "Bearer " + "0" * 64))),
    Row("token cut short", 401, "access-refused", (HOST, ("Authorization", f"Bearer {TOKEN[:-1]}"))),
    Row("token empty", 401, "access-refused", (HOST, ("Authorization", "Bearer "))),
    Row("token under another scheme", 401, "access-refused", (HOST, ("Authorization", f"Basic {TOKEN}"))),
    Row("token without a scheme", 401, "access-refused", (HOST, ("Authorization", TOKEN))),
    Row("token scheme in small letters", 200, headers=(HOST, ("Authorization", f"bearer {TOKEN}"))),
    Row("token in the URL", 401, "access-unproven", (HOST,), path=f"/v1/jobs?token={TOKEN}"),
    Row("token in a cookie", 401, "access-unproven", (HOST, ("Cookie", f"token={TOKEN}"))),
    Row("no token on an open route", 200, headers=(HOST,), path="/healthz"),
    Row("no token on the page", 200, headers=(HOST,), path="/"),
    Row("no token below an open route", 401, "access-unproven", (HOST,), path="/healthz/"),
    Row("no token by a detour", 401, "access-unproven", (HOST,), path="/healthz/../v1/jobs"),
    Row("no token on a route that is not there", 401, "access-unproven", (HOST,), path="/nowhere"),
    # Forms and compression.
    Row(
        "form multipart",
        415,
        "media-type",
        sender(("Content-Type", "multipart/form-data; boundary=x")),
        "POST",
        body=b"x",
    ),
    Row(
        "form urlencoded",
        415,
        "media-type",
        sender(("Content-Type", "Application/X-WWW-Form-Urlencoded")),
        "POST",
        body=b"x",
    ),
    Row("compressed", 415, "media-type", sender(JSON, ("Content-Encoding", "gzip")), "POST", body=b"x"),
    Row("said to be as it is", 200, headers=sender(JSON, ("Content-Encoding", "identity")), method="POST"),
    # Body limits: small everywhere, large on the upload alone.
    Row("body at the limit", 200, headers=sender(JSON), method="POST", body=b"x" * SMALL_BODY_BYTES),
    Row(
        "body over the limit",
        413,
        "body-too-large",
        sender(JSON),
        "POST",
        body=b"x" * (SMALL_BODY_BYTES + 1),
    ),
    Row("upload", 200, headers=sender(BYTES), method="POST", path="/v1/images", body=b"x" * LARGE),
    Row(
        "upload over the limit",
        413,
        "body-too-large",
        sender(BYTES),
        "POST",
        "/v1/images",
        b"x" * (LARGE + 1),
    ),
    Row(
        "upload by another method",
        413,
        "body-too-large",
        sender(BYTES),
        "PATCH",
        "/v1/images",
        b"x" * (SMALL_BODY_BYTES + 1),
    ),
    # The checks stand in this order: a stranger does not learn whether a token would be right.
    Row("foreign host without token", 400, "host-refused", (("Host", "evil.example"),)),
    Row("foreign page without token", 403, "origin-refused", (HOST, ("Origin", "https://evil.example"))),
]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_each_control(world: World, row: Row) -> None:
    answer = world.send(row.method, row.path, list(row.headers), row.body)
    assert answer.status_code == row.status
    assert world.inner.reached == row.reached
    if row.code:
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["code"] == row.code
        assert answer.json()["status"] == row.status
        assert answer.json()["hint"]
    for name, value in SECURITY_HEADERS.items():
        assert answer.headers[name] == value
    assert answer.headers["cache-control"] == "no-store"
    assert "set-cookie" not in answer.headers
    assert TOKEN not in answer.text


def test_content_security_policy_has_no_inline_and_no_foreign_source() -> None:
    policy = SECURITY_HEADERS["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy


def test_wrong_tokens_are_delayed_and_counted_and_absent_ones_are_not(world: World) -> None:
    world.send("GET", "/v1/jobs", [HOST])
    assert (world.slept, world.refused_tokens) == ([], 0)
    answer = world.send("GET", "/v1/jobs", [HOST, ("Authorization", "Bearer wrong")])
    assert (world.slept, world.refused_tokens) == ([REFUSAL_DELAY_S], 1)
    assert answer.headers["www-authenticate"].startswith("Bearer")


def test_no_page_is_allowed_to_read_answers_unless_listed(world: World) -> None:
    plain = world.send("GET", "/v1/jobs", [HOST, AUTH, ("Origin", OWN)])
    assert "access-control-allow-origin" not in plain.headers
    listed = world.send("GET", "/v1/jobs", [HOST, AUTH, ("Origin", FRIEND)])
    assert listed.headers["access-control-allow-origin"] == FRIEND
    assert "access-control-allow-credentials" not in listed.headers
    assert "origin" in listed.headers["vary"].lower()


def test_a_preflight_is_answered_without_token_for_listed_origins_only(world: World) -> None:
    ask = ("Access-Control-Request-Method", "POST")
    listed = world.send("OPTIONS", "/v1/jobs", [HOST, ("Origin", FRIEND), ask])
    assert listed.status_code == 204
    assert "POST" in listed.headers["access-control-allow-methods"]
    assert "Idempotency-Key" in listed.headers["access-control-allow-headers"]
    foreign = world.send("OPTIONS", "/v1/jobs", [HOST, ("Origin", "https://evil.example"), ask])
    assert foreign.status_code == 403
    assert "access-control-allow-origin" not in foreign.headers
    assert world.inner.reached == 0


def test_a_websocket_is_turned_away() -> None:
    world, sent = World(), []

    async def receive() -> dict[str, object]:
        return {"type": "websocket.connect"}

    async def send(message: object) -> None:
        sent.append(message)

    asyncio.run(world.guard({"type": "websocket", "path": "/v1/events", "headers": []}, receive, send))
    assert sent == [{"type": "websocket.close", "code": 1008}]
    assert world.inner.reached == 0
