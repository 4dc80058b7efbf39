"""The daemon as a process: opens the bench, serves it over HTTP, tells clients where, and stops cleanly."""

import asyncio
import contextlib
import errno
import logging
import os
import signal
import socket
import sys
import threading
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Any, Self

import uvicorn

from api.app import BenchApp, create_app
from api.logging import LogFormat, set_up
from api.notify import notify
from api.routes.system import daemon_version
from daemon.bench import Bench
from daemon.errors import BenchError, Code
from daemon.runtime_file import RuntimeInfo, new_token, publish, withdraw
from daemon.settings import Settings
from daemon.settings.fields import DEFAULT_PORT

_log = logging.getLogger(__name__)

GRACE_S = 0.5
"""How long requests that run at the end may take; streams end by themselves at once, stalled ones do not."""

STOP_TIMEOUT_S = 5.0
"""How long the bench may take to stop its jobs and switch supplies off."""

_BACKLOG = 64
_STOPPED_BY = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGBREAK") if hasattr(signal, name)
)  # the last is Ctrl-Break, on Windows alone


class BenchServer(uvicorn.Server):
    """A server that ends open streams as soon as it is asked to stop, and says when it is ready.

    `on_ready` is called when requests are answered, `on_stopping` when they soon will be no more.
    """

    def __init__(
        self,
        app: BenchApp,
        *,
        on_ready: Callable[[], None] = lambda: None,
        on_stopping: Callable[[], None] = lambda: None,
    ) -> None:
        super().__init__(
            uvicorn.Config(
                app,
                loop="asyncio",
                http="h11",
                ws="none",
                lifespan="on",
                log_config=None,
                access_log=False,
                proxy_headers=False,  # who sends X-Forwarded-For gains nothing by it
                server_header=False,
                backlog=_BACKLOG,
                # It is only ever handed on to asyncio.wait_for, which takes fractions.
                timeout_graceful_shutdown=GRACE_S,  # type: ignore[arg-type]
            )
        )
        self._hub = app.state.hub
        self._on_ready = on_ready
        self._on_stopping = on_stopping

    def ask_to_stop(self) -> None:
        """Begin to stop; safe from any thread and from a signal handler. Asked twice, wait for nothing."""
        # The streams first: the server waits for open connections before it tells the application anything.
        self._hub.close()
        self.force_exit = self.should_exit
        self.should_exit = True

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave signals to `serve`.

        The base class would raise them again as soon as it has ended, before the bench has switched off.
        """
        yield

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to answer, then say so."""
        await super().startup(sockets)
        self._on_ready()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Say so, then end; a client that does not read its stream is cut off."""
        self._on_stopping()
        await super().shutdown(sockets)
        for connection in list(self.server_state.connections):
            transport = getattr(connection, "transport", None)
            if transport is not None:
                transport.abort()  # closing it would wait for what can never be sent
        await asyncio.sleep(0)  # the loop lets go of them in its next round


def serve(settings: Settings, *, announce: Callable[[RuntimeInfo], None] = lambda info: None) -> None:
    """Run the daemon until it is asked to stop by SIGINT or SIGTERM.

    `announce` is called once, when it answers, with where and how to reach it. Raises BenchError when it
    cannot start: what `Bench.open` raises, `address-busy`, `address-unusable`.
    """
    token = new_token()
    set_up(settings.log_level, LogFormat.JSON if settings.log_json else LogFormat.CONSOLE, secrets=[token])
    with bind(settings) as listener, _Signals() as signals, _open_bench(settings) as bench:
        info = RuntimeInfo(url_of(listener), token, os.getpid(), daemon_version())

        def on_ready() -> None:
            publish(settings.runtime_dir, info)
            announce(info)
            _log.info("listening on %s", info.url)
            notify("READY=1")

        def on_stopping() -> None:
            _log.info("stopping")
            notify("STOPPING=1")
            withdraw(settings.runtime_dir, info)

        app = create_app(bench, token, settings)
        server = BenchServer(app, on_ready=on_ready, on_stopping=on_stopping)
        signals.send_to(server.ask_to_stop)
        bench.start()
        server.run(sockets=[listener])
    _log.info("stopped")


def bind(settings: Settings) -> socket.socket:
    """Listen at the address of the settings; when the default port is taken, at any free one.

    Raises BenchError: `address-busy`, `address-unusable`.
    """
    try:
        return _listen(settings.host, settings.port)
    except OSError as error:
        if settings.port == DEFAULT_PORT and _is_busy(error):
            with contextlib.suppress(OSError):
                return _listen(settings.host, 0)
        raise _explained(error, settings) from error


def url_of(listener: socket.socket) -> str:
    """Return the URL by which this machine reaches a listening socket."""
    host, port = listener.getsockname()[:2]
    if host in ("0.0.0.0", "::"):  # noqa: S104 - compared with, not bound to
        host = "127.0.0.1" if listener.family == socket.AF_INET else "::1"
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"


def _listen(host: str, port: int) -> socket.socket:
    family, kind, protocol, _, address = socket.getaddrinfo(
        host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
    )[0]
    listener = socket.socket(family, kind, protocol)
    try:
        if sys.platform == "win32":  # there SO_REUSEADDR would let two daemons share one port
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        else:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(address)
        # Now and not when the bench is open, so that of two daemons the later one notices here.
        listener.listen(_BACKLOG)
        listener.setblocking(False)
    except BaseException:
        listener.close()
        raise
    return listener


def _is_busy(error: OSError) -> bool:
    return error.errno == errno.EADDRINUSE


def _explained(error: OSError, settings: Settings) -> BenchError:
    where = f"{settings.host}, port {settings.port}"
    details = {"host": settings.host, "port": settings.port}
    if _is_busy(error):
        return BenchError(
            Code.ADDRESS_BUSY,
            f"Another program listens on {where} already.",
            hint="Use the daemon that runs there, stop it, or set another `port` (0 takes any free one).",
            field="port",
            details=details,
        )
    return BenchError(
        Code.ADDRESS_UNUSABLE,
        f"It is not possible to listen on {where}: {error.strerror or error}.",
        hint="Set `host` to an address of this machine and `port` to one that you may use.",
        field="host",
        details=details,
    )


@contextlib.contextmanager
def _open_bench(settings: Settings) -> Iterator[Bench]:
    bench = Bench.open(settings)
    try:
        yield bench
    finally:
        bench.stop(STOP_TIMEOUT_S)


class _Signals:
    """Catches the signals that end a process, until the bench has stopped: supplies must be off first."""

    def __init__(self) -> None:
        self._target: Callable[[], None] | None = None
        self._asked = False
        self._before: dict[int, Any] = {}

    def send_to(self, target: Callable[[], None]) -> None:
        """Call `target` for each signal from now on, and at once if there was one already."""
        self._target = target
        if self._asked:
            target()

    def __enter__(self) -> Self:
        # Only the main thread may catch signals; whoever runs us in another stops us by other means.
        if threading.current_thread() is threading.main_thread():
            self._before = {each: signal.signal(each, self._on_signal) for each in _STOPPED_BY}
        return self

    def __exit__(self, *_: object) -> None:
        for each, handler in self._before.items():
            signal.signal(each, handler)

    def _on_signal(self, number: int, frame: FrameType | None) -> None:
        self._asked = True
        if self._target is not None:
            self._target()
