"""Starts the daemon with as little delay as its libraries allow: somebody waits for the first command.

Nearly all of the start is importing. Four things save a fifth of it, and none changes what our own modules
get: no garbage collection while modules only grow (9 %), no validators for the framework's own OpenAPI models
before they are wanted (8 %), no terminal library for tracebacks that the log never prints (7 %), and no first
version of pydantic, for whose models the framework would look (2 %, and its memory).
"""

import contextlib
import gc
import sys
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from pydantic import BaseModel

from daemon.runtime_file import RuntimeInfo
from daemon.settings import Settings

if TYPE_CHECKING:
    from types import ModuleType


def start(settings: Settings, *, announce: Callable[[RuntimeInfo], None] = lambda info: None) -> None:
    """Import the daemon and run it until it is asked to stop; see `api.server.serve`."""
    with _hidden("pydantic.v1"):
        with _no_collection():
            with _validators_on_demand():
                import fastapi  # noqa: F401 - imported here for its side, so that what follows finds it
            with _hidden("rich"):
                import structlog  # noqa: F401 - likewise
            from api.server import serve

            gc.freeze()  # what was imported stays for good; later collections need not look at it
        serve(settings, announce=announce)


@contextlib.contextmanager
def _no_collection() -> Iterator[None]:
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


@contextlib.contextmanager
def _validators_on_demand() -> Iterator[None]:
    """Let models that are declared meanwhile build their validators at first use."""
    before = "defer_build" in BaseModel.model_config
    BaseModel.model_config.setdefault("defer_build", True)
    try:
        yield
    finally:
        if not before:
            del BaseModel.model_config["defer_build"]


@contextlib.contextmanager
def _hidden(module: str) -> Iterator[None]:
    """Make an optional library look as if it were not installed, unless it is loaded already."""
    hidden: dict[str, ModuleType | None] = {} if module in sys.modules else {module: None}
    sys.modules.update(hidden)  # type: ignore[arg-type]  # None is how Python marks what must not be found
    try:
        yield
    finally:
        for name in hidden:
            del sys.modules[name]
