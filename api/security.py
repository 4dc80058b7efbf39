"""Who may talk to the daemon, and from where: one ASGI middleware around everything it answers.

The daemon moves voltages on real hardware and listens on a port that every web page in the user's browser
can reach. So each request must name a host that is ours (a page whose name was rebound to this address
cannot), must not come from a foreign page, and must carry the token, which no page can know. There are no
cookies to ride on.
"""

import asyncio
import hmac
from collections.abc import Awaitable, Callable, Collection, Mapping
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.problems import problem_response
from daemon.errors import BenchError, Code

LOOPBACK_HOSTS = ("localhost", "127.0.0.1", "[::1]")
"""The names by which a request on the same machine may call us."""

SMALL_BODY_BYTES = 64 << 10
"""Limit for every body that is not an upload: the largest job description is a few kilobytes."""

REFUSAL_DELAY_S = 0.1
"""How long a wrong token waits for its answer: nothing to a person, much to a program that guesses."""

_OWN_SITES = frozenset({"same-origin", "none"})
_FORM_TYPES = ("multipart/", "application/x-www-form-urlencoded")
_BEARER = "bearer "

SECURITY_HEADERS: Mapping[str, str] = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self';"
        " base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
"""Sent with every answer, whatever it is."""

_CORS_REQUEST_HEADERS = "Authorization, Content-Type, Idempotency-Key, Last-Event-ID, Lease-Id"
_CORS_EXPOSED_HEADERS = "Idempotency-Replayed, Lease-Id, Location, Retry-After"
_CORS_METHODS = "GET, HEAD, POST, PATCH, DELETE"


@dataclass(frozen=True, slots=True)
class GuardRules:
    """What the guard lets through.

    `hosts` are the names, without a port, by which we may be called; `origins` are foreign pages that may
    call us, exactly as browsers write them. `open_paths` need no token. `body_limits_bytes` has the (method,
    path) pairs whose limit is not the small one.
    """

    token: str = field(repr=False)
    hosts: frozenset[str] = frozenset(LOOPBACK_HOSTS)
    origins: frozenset[str] = frozenset()
    open_paths: frozenset[str] = frozenset()
    body_limits_bytes: Mapping[tuple[str, str], int] = field(default_factory=dict)

    @classmethod
    def of(
        cls,
        token: str,
        *,
        extra_hosts: Collection[str] = (),
        origins: Collection[str] = (),
        open_paths: Collection[str] = (),
        body_limits_bytes: Mapping[tuple[str, str], int] | None = None,
    ) -> "GuardRules":
        """Make rules that always hold the loopback names; hosts are compared without regard to case."""
        return cls(
            token=token,
            hosts=frozenset(LOOPBACK_HOSTS) | {host.lower() for host in extra_hosts},
            origins=frozenset(origin.lower() for origin in origins),
            open_paths=frozenset(open_paths),
            body_limits_bytes=dict(body_limits_bytes or {}),
        )


class Guard:
    """ASGI middleware that refuses what the rules do not allow, before anything else sees it.

    `on_refused_token` is called for each wrong token; `sleep` is how a refusal waits.
    """

    def __init__(
        self,
        app: ASGIApp,
        rules: GuardRules,
        *,
        on_refused_token: Callable[[], None] = lambda: None,
        sleep: Callable[[float], Awaitable[object]] = asyncio.sleep,
    ) -> None:
        self._app = app
        self._rules = rules
        self._on_refused_token = on_refused_token
        self._sleep = sleep

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let one request through, or answer it with a problem."""
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})  # we have none; 1008 is "policy violation"
            return
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        guarded_send = _with_headers(send, scope["path"], self._listed_origin(headers))
        answer: Response | None = None
        try:
            self._check_host(headers)
            self._check_sender(headers, scope)
            if self._is_preflight(scope, headers):
                answer = _preflight_answer()
            else:
                self._check_token(scope, headers)
                self._check_body(scope, headers)
        except BenchError as refusal:
            answer = await self._refuse(refusal)
        await (answer or self._app)(scope, receive, guarded_send)

    async def _refuse(self, refusal: BenchError) -> Response:
        extra = {}
        if refusal.code is Code.ACCESS_REFUSED:
            self._on_refused_token()
            await self._sleep(REFUSAL_DELAY_S)
        if refusal.code in (Code.ACCESS_REFUSED, Code.ACCESS_UNPROVEN):
            extra["WWW-Authenticate"] = 'Bearer realm="romwright"'
        if refusal.code is Code.BODY_TOO_LARGE:
            extra["Connection"] = "close"  # the rest of the body is not read
        return problem_response(refusal, extra)

    def _check_host(self, headers: Headers) -> None:
        named = headers.getlist("host")
        if len(named) == 1 and _host_name(named[0]) in self._rules.hosts:
            return
        raise BenchError(
            Code.HOST_REFUSED,
            f"This bench does not answer to the host name {named[0][:100] if named else ''!r}.",
            hint="Call it by 127.0.0.1 or localhost, or add the name to `allowed_hosts` in the settings.",
            field="Host",
        )

    def _check_sender(self, headers: Headers, scope: Scope) -> None:
        """Refuse what a browser says was sent by a page that is not ours."""
        origin = headers.get("origin")
        if origin is not None and not (self._listed_origin(headers) or self._is_own(origin, scope)):
            raise BenchError(
                Code.ORIGIN_REFUSED,
                f"A page of {origin[:100]!r} may not use this bench.",
                hint="If that page is yours, add its origin to `allowed_origins` in the settings.",
                field="Origin",
            )
        site = headers.get("sec-fetch-site")
        if site is not None and site.lower() not in _OWN_SITES and not self._listed_origin(headers):
            raise BenchError(
                Code.ORIGIN_REFUSED,
                "A page of another site sent this request.",
                hint="Open the address yourself, or add that page's origin to `allowed_origins`.",
                field="Sec-Fetch-Site",
            )

    def _listed_origin(self, headers: Headers) -> str | None:
        origin = headers.get("origin")
        return origin if origin is not None and origin.lower() in self._rules.origins else None

    def _is_own(self, origin: str, scope: Scope) -> bool:
        """Tell whether an origin is the page that this very server serves.

        Compared with our own names and port, not with the Host header: a rebound page would match that.
        """
        try:
            parts = urlsplit(origin)
            host, port = _host_name(parts.netloc), parts.port or 80
        except ValueError:
            return False
        server = scope.get("server") or (None, None)
        return parts.scheme == "http" and host in self._rules.hosts and port == server[1]

    def _is_preflight(self, scope: Scope, headers: Headers) -> bool:
        return (
            scope["method"] == "OPTIONS"
            and "access-control-request-method" in headers
            and self._listed_origin(headers) is not None
        )

    def _check_token(self, scope: Scope, headers: Headers) -> None:
        if scope["path"] in self._rules.open_paths:
            return
        given = headers.get("authorization")
        hint = (
            "Send `Authorization: Bearer TOKEN`; the token is in the runtime file (see `romwright config`)."
        )
        if given is None:
            raise BenchError(
                Code.ACCESS_UNPROVEN, "This request carries no token.", hint=hint, field="Authorization"
            )
        token = given[len(_BEARER) :].strip() if given.lower().startswith(_BEARER) else ""
        # Header text is Latin-1; comparing bytes keeps odd characters from raising.
        if not hmac.compare_digest(token.encode("latin-1", "replace"), self._rules.token.encode()):
            raise BenchError(
                Code.ACCESS_REFUSED,
                "The token is not the one of this bench.",
                hint=f"It changes at every start of the daemon. {hint}",
                field="Authorization",
            )

    def _check_body(self, scope: Scope, headers: Headers) -> None:
        kind = headers.get("content-type", "").lower()
        if kind.startswith(_FORM_TYPES):
            raise BenchError(
                Code.MEDIA_TYPE,
                f"Forms are not accepted, and the body is sent as {kind.partition(';')[0]}.",
                hint="Send the bytes themselves with `Content-Type: application/octet-stream`, or JSON with"
                " `application/json`. With curl, name the type by -H beside --data-binary.",
                field="Content-Type",
            )
        coding = headers.get("content-encoding", "identity").lower()
        if coding != "identity":
            raise BenchError(
                Code.MEDIA_TYPE,
                f"The body is compressed ({coding[:40]}); that is not accepted.",
                hint="Send it uncompressed and without Content-Encoding.",
                field="Content-Encoding",
            )
        limit = self._rules.body_limits_bytes.get((scope["method"], scope["path"]), SMALL_BODY_BYTES)
        length = headers.get("content-length", "")
        if length.isascii() and length.isdigit() and int(length) > limit:
            raise BenchError(
                Code.BODY_TOO_LARGE,
                f"The body is {int(length):,} bytes; {scope['method']} {scope['path']} takes {limit:,}.",
                hint="`max_image_bytes` in the settings is the limit for images.",
                details={"length_bytes": int(length), "limit_bytes": limit},
            )


def _host_name(authority: str) -> str | None:
    """Return the host of `name:port` in lower case, brackets kept; None when it is not of that form."""
    name, colon, port = authority.lower().rpartition(":")
    if not colon or authority.endswith("]"):  # no port, or the colons of an address in brackets
        return authority.lower()
    return name if port.isascii() and port.isdigit() else None


def _preflight_answer() -> Response:
    return Response(
        status_code=204,
        headers={
            "Access-Control-Allow-Methods": _CORS_METHODS,
            "Access-Control-Allow-Headers": _CORS_REQUEST_HEADERS,
            "Access-Control-Max-Age": "600",
        },
    )


def _with_headers(send: Send, path: str, listed_origin: str | None) -> Send:
    """Return a `send` that adds the security headers to every answer."""

    async def send_with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in SECURITY_HEADERS.items():
                headers[name] = value
            headers.setdefault("Cache-Control", "no-store")
            headers.add_vary_header("Origin")
            if listed_origin is not None:
                headers["Access-Control-Allow-Origin"] = listed_origin
                headers["Access-Control-Expose-Headers"] = _CORS_EXPOSED_HEADERS
        await send(message)

    return send_with_headers
