"""Logs: one line an event on standard error, for people (console) or machines (JSON), never with a secret.

Lines may come from structlog (with the job and programmer they are about as context) or from the standard
library's logging; both leave by the same handler.
"""

import logging
import sys
from collections.abc import Collection, Mapping, MutableMapping
from enum import StrEnum
from typing import Any, TextIO

import structlog

_HIDDEN = "[hidden]"
_SECRET_NAMES = ("authorization", "password", "secret", "token")
_DEPTH_MAX = 4


class LogFormat(StrEnum):
    """How log lines look."""

    CONSOLE = "console"
    JSON = "json"


class _OurHandler(logging.StreamHandler[TextIO]):
    """Known by its type, so that setting up again replaces it and nobody else's."""


def set_up(
    level: str, format: LogFormat, *, secrets: Collection[str] = (), stream: TextIO | None = None
) -> None:
    """Send the logs of the whole process to `stream` (standard error), from `level` ("INFO") upwards.

    None of `secrets` is ever written, nor a value that goes by the name of a token or password.
    """
    shared: list[Any] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level,
            *shared,
            structlog.stdlib.PositionalArgumentsFormatter(),
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
    )
    handler = _OurHandler(stream or sys.stderr)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=[*shared, structlog.stdlib.ExtraAdder()],
            processors=[
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                structlog.processors.format_exc_info,  # before the scrubber: tracebacks quote values
                scrubber([secret for secret in secrets if secret]),
                _renderer(format, handler.stream.isatty()),
            ],
        )
    )
    root = logging.getLogger()
    for old in [each for each in root.handlers if isinstance(each, _OurHandler)]:
        root.removeHandler(old)
    root.addHandler(handler)
    root.setLevel(level.upper())
    # Its start and stop lines repeat ours; its errors stay.
    logging.getLogger("uvicorn.error").setLevel(max(logging.WARNING, root.level))
    logging.captureWarnings(True)


def scrubber(secrets: Collection[str]) -> Any:
    """Return a structlog processor that hides `secrets` wherever they stand, and values named like one."""

    def hide(value: object, depth: int = 0) -> object:
        if isinstance(value, str):
            for secret in secrets:
                value = value.replace(secret, _HIDDEN)
            return value
        if depth < _DEPTH_MAX and isinstance(value, Mapping):
            return {
                key: _HIDDEN if is_secret(key) else hide(inner, depth + 1) for key, inner in value.items()
            }
        if depth < _DEPTH_MAX and isinstance(value, list | tuple):
            return [hide(inner, depth + 1) for inner in value]
        if isinstance(value, bool | int | float | None):
            return value
        return hide(str(value), depth)

    def is_secret(name: object) -> bool:
        return any(part in str(name).lower() for part in _SECRET_NAMES)

    def process(logger: object, method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
        for name, value in event.items():
            if not name.startswith("_"):
                event[name] = _HIDDEN if is_secret(name) else hide(value)
        return event

    return process


def _renderer(format: LogFormat, colours: bool) -> Any:
    if format is LogFormat.JSON:
        return structlog.processors.JSONRenderer(ensure_ascii=False, default=str)
    return structlog.dev.ConsoleRenderer(
        colors=colours, exception_formatter=structlog.dev.plain_traceback, pad_event_to=0
    )
