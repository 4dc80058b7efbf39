"""Every answer that is not a success, as problem+json (RFC 9457), and the one table of statuses.

A program compares `code`; a person reads `detail` (what is wrong, with the numbers) and `hint` (what to do).
"""

import json
import logging
import secrets
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.invalid import invalid_request
from daemon.errors import BenchError, Code

_log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"

_BAD_GATEWAY = HTTPStatus.BAD_GATEWAY
_CONFLICT = HTTPStatus.CONFLICT
_INTERNAL = HTTPStatus.INTERNAL_SERVER_ERROR
_NOT_FOUND = HTTPStatus.NOT_FOUND
_UNAVAILABLE = HTTPStatus.SERVICE_UNAVAILABLE
_UNPROCESSABLE = HTTPStatus(422)  # its name changed between Python versions

STATUS: Mapping[Code, HTTPStatus] = {
    Code.ACCESS_REFUSED: HTTPStatus.UNAUTHORIZED,
    Code.ACCESS_UNPROVEN: HTTPStatus.UNAUTHORIZED,
    Code.ADAPTER_DOES_NOT_FIT: _UNPROCESSABLE,
    Code.ADAPTER_INVALID: _UNPROCESSABLE,
    Code.ADAPTER_UNKNOWN: _NOT_FOUND,
    Code.ADDRESS_BUSY: _INTERNAL,
    Code.ADDRESS_UNUSABLE: _INTERNAL,
    Code.BACKUP_INVALID: _UNPROCESSABLE,
    Code.BATCH_STATE: _CONFLICT,
    Code.BENCH_STOPPING: _UNAVAILABLE,
    Code.BLOB_DAMAGED: _INTERNAL,
    Code.BLOB_MISSING: _INTERNAL,
    Code.BOARD_COVERAGE: _UNPROCESSABLE,
    Code.BOARD_PARTS: _UNPROCESSABLE,
    Code.BOARD_REASSEMBLY: _UNPROCESSABLE,
    Code.BOARD_SOURCE: _UNPROCESSABLE,
    Code.BODY_TOO_LARGE: HTTPStatus(413),
    Code.CHIP_BUSY: _CONFLICT,
    Code.CONSENT_NEEDED: _CONFLICT,
    Code.CONTENT_MISSING: _NOT_FOUND,
    Code.DEVICE_FAULT: _BAD_GATEWAY,
    Code.DEVICE_REFUSED: _BAD_GATEWAY,
    Code.DEVICE_SILENT: HTTPStatus.GATEWAY_TIMEOUT,
    Code.DEVICE_VERSION: _BAD_GATEWAY,
    Code.DEVICE_VIOLATION: _BAD_GATEWAY,
    Code.DISK_FULL: HTTPStatus.INSUFFICIENT_STORAGE,
    Code.ERASE_ESTIMATE_INPUT: _UNPROCESSABLE,
    Code.ERASE_SERIES_IMPOSSIBLE: _UNPROCESSABLE,
    Code.EXPOSURE_STATE: _CONFLICT,
    Code.EXPOSURE_TIME_UNKNOWN: _CONFLICT,
    Code.HOST_REFUSED: HTTPStatus.BAD_REQUEST,
    Code.IDEMPOTENCY_IN_FLIGHT: _CONFLICT,
    Code.IDEMPOTENCY_MISSING: HTTPStatus.BAD_REQUEST,
    Code.IDEMPOTENCY_REUSED: _UNPROCESSABLE,
    Code.IMAGE_EMPTY: _UNPROCESSABLE,
    Code.IMAGE_FORMAT: _UNPROCESSABLE,
    Code.IMAGE_IN_USE: _CONFLICT,
    Code.IMAGE_OVERLAP: _UNPROCESSABLE,
    Code.IMAGE_PLACEMENT: _UNPROCESSABLE,
    Code.IMAGE_SPAN: _UNPROCESSABLE,
    Code.IMAGE_TOO_LARGE: _UNPROCESSABLE,
    Code.INTERNAL: _INTERNAL,
    Code.JOB_ENDED: _CONFLICT,
    Code.JOB_QUEUE_FULL: _UNAVAILABLE,
    Code.JOB_REQUEST: _UNPROCESSABLE,
    Code.JOB_STATE: _CONFLICT,
    Code.LABEL_INVALID: _UNPROCESSABLE,
    Code.LAMP_IN_USE: _CONFLICT,
    Code.LEASE_HELD: _CONFLICT,
    Code.LEASE_UNKNOWN: _CONFLICT,
    Code.LINK_LOST: _BAD_GATEWAY,
    Code.MEDIA_TYPE: HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
    Code.METHOD_NOT_ALLOWED: HTTPStatus.METHOD_NOT_ALLOWED,
    Code.NAME_INVALID: _UNPROCESSABLE,
    Code.NAME_TAKEN: _CONFLICT,
    Code.NO_PROGRAMMER: _CONFLICT,
    Code.NO_QUESTION: _CONFLICT,
    Code.NOT_FOUND: _NOT_FOUND,
    Code.NOT_PREPARED: _CONFLICT,
    Code.ORIGIN_REFUSED: HTTPStatus.FORBIDDEN,
    Code.PART_AMBIGUOUS: _UNPROCESSABLE,
    Code.PART_CANNOT: _UNPROCESSABLE,
    Code.PART_DOES_NOT_FIT: _UNPROCESSABLE,
    Code.PART_INVALID: _UNPROCESSABLE,
    Code.PART_READ_ONLY: _UNPROCESSABLE,
    Code.PART_UNKNOWN: _NOT_FOUND,
    Code.PORT_BUSY: _UNAVAILABLE,
    Code.PORT_CLOSED: _UNAVAILABLE,
    Code.PORT_LOST: _UNAVAILABLE,
    Code.PORT_MISSING: _UNAVAILABLE,
    Code.PORT_PERMISSION: _UNAVAILABLE,
    Code.PORT_UNUSABLE: _UNAVAILABLE,
    Code.PORT_WRITE_TIMEOUT: _UNAVAILABLE,
    Code.PROGRAMMER_AMBIGUOUS: _UNPROCESSABLE,
    Code.PROGRAMMER_CANNOT: _CONFLICT,
    Code.PROGRAMMER_GONE: _CONFLICT,
    Code.RECIPE_INVALID: _UNPROCESSABLE,
    Code.RECIPE_STEP: _UNPROCESSABLE,
    Code.REQUEST_INVALID: _UNPROCESSABLE,
    Code.RUNTIME_FILE_UNSAFE: _INTERNAL,
    Code.SETTINGS_INVALID: _INTERNAL,
    Code.STATE_DIR_BUSY: _UNAVAILABLE,
    Code.STATE_DIR_UNSAFE: _INTERNAL,
    Code.STATE_DIR_UNUSABLE: _INTERNAL,
    Code.STEP_TIMEOUT: HTTPStatus.GATEWAY_TIMEOUT,
    Code.STORE_BUSY: _UNAVAILABLE,
    Code.STORE_DAMAGED: _INTERNAL,
    Code.STORE_FOREIGN: _INTERNAL,
    Code.STORE_IN_USE: _CONFLICT,
    Code.STORE_MIGRATION: _INTERNAL,
    Code.STORE_NEWER: _INTERNAL,
    Code.STORE_UNREACHABLE: _UNAVAILABLE,
    Code.STREAMS_FULL: _UNAVAILABLE,
}
"""The HTTP status of each code. A test fails when a code has no row."""


def title_of(code: str) -> str:
    """Return the short name of a kind of problem: its code in words, the same every time."""
    return code.replace("-", " ").capitalize()


def problem_of(error: BenchError) -> dict[str, Any]:
    """Return the members of the problem document for `error`, those without a value left out."""
    status = STATUS.get(error.code, _INTERNAL)
    members: dict[str, Any] = {
        "type": f"/docs#problem-{error.code}",
        "title": title_of(error.code),
        "status": int(status),
        "detail": error.message,
        "code": str(error.code),
        "hint": error.hint,
        "field": error.field,
        "details": error.details,
    }
    return {name: value for name, value in members.items() if value not in (None, "", {})}


def problem_response(error: BenchError, headers: Mapping[str, str] | None = None) -> Response:
    """Return the answer to a request that failed with `error`."""
    members = problem_of(error)
    # `details` come from many hands; what JSON does not know is shown as text rather than failing once more.
    body = json.dumps(members, default=str, ensure_ascii=False).encode()
    return Response(body, status_code=members["status"], media_type=MEDIA_TYPE, headers=dict(headers or {}))


def internal_problem(error: Exception) -> BenchError:
    """Log an error that nobody foresaw with its traceback, and return what the client may know of it."""
    reference = secrets.token_hex(4)
    _log.error("unforeseen error", extra={"reference": reference}, exc_info=error)
    return BenchError(
        Code.INTERNAL,
        "Something went wrong inside the bench daemon.",
        hint=f"Its log has the reason under the reference {reference}; please report it.",
        details={"reference": reference},
    )


def install(app: FastAPI) -> None:
    """Register the handlers by which routes answer with problems."""
    app.add_exception_handler(BenchError, _on_bench_error)
    app.add_exception_handler(RequestValidationError, _on_invalid_request)
    app.add_exception_handler(HTTPException, _on_http_exception)


class CatchAll:
    """ASGI middleware: turns an error that no handler knows into a 500 problem, if nothing was sent yet.

    It stands inside the application's own last resort, which would log, answer in plain text and raise again.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        started = False

        async def noting_send(message: Message) -> None:
            nonlocal started
            started = True
            await send(message)

        try:
            await self._app(scope, receive, noting_send)
        except Exception as error:
            if started or scope["type"] != "http":
                raise  # a half-sent answer can only be cut off, so that the client notices
            await problem_response(internal_problem(error))(scope, receive, send)


async def _on_bench_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, BenchError)
    return problem_response(error)


async def _on_invalid_request(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    return problem_response(invalid_request(error, request.scope.get("route")))


async def _on_http_exception(request: Request, error: Exception) -> Response:
    """Translate what the framework refuses by itself: unknown paths, methods and oversized bodies."""
    assert isinstance(error, HTTPException)
    path, method = request.url.path, request.method
    if error.status_code == HTTPStatus.NOT_FOUND:
        found = BenchError(
            Code.NOT_FOUND, f"There is nothing at {path}.", hint="/docs lists every route.", field="path"
        )
    elif error.status_code == HTTPStatus.METHOD_NOT_ALLOWED:
        allowed = (error.headers or {}).get("Allow", "")
        found = BenchError(
            Code.METHOD_NOT_ALLOWED,
            f"{path} does not take {method}.",
            hint=f"It takes {allowed}." if allowed else "/docs lists every route.",
            details={"allowed": sorted(allowed.split(", "))} if allowed else {},
        )
    elif error.status_code == STATUS[Code.BODY_TOO_LARGE]:
        found = BenchError(
            Code.BODY_TOO_LARGE,
            f"The body is larger than {method} {path} takes.",
            hint="Only POST /v1/images takes large bodies; `max_image_bytes` in the settings is its limit.",
        )
    elif error.status_code < HTTPStatus.INTERNAL_SERVER_ERROR:
        found = BenchError(Code.REQUEST_INVALID, f"The request cannot be read: {error.detail}.")
    else:
        found = internal_problem(error)
    return problem_response(found, error.headers)
