"""A whole bench inside one process, for tests: daemon, HTTP interface, simulated programmer, hands."""

import socket as sockets
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import structlog

from api.app import create_app
from api.server import BenchServer
from cli.client import BenchClient
from cli.practice.virtual import VirtualClock, VirtualHands, VirtualTransport
from daemon.bench import Bench
from daemon.catalogue.loader import Catalogue
from daemon.discovery import Candidate
from daemon.programmers.views import ProgrammerState
from daemon.runtime_file import new_token
from daemon.settings import Settings
from simulator.chip.chip import Chip
from simulator.endpoints import TcpEndpoint
from simulator.programmer.profile import full, modest
from simulator.programmer.programmer import VirtualProgrammer
from simulator.serve import ServedProgrammer
from simulator.socket import Placement, Socket
from simulator.stock import Stock, make_socket

_BOARDS = {"full": full, "modest": modest}
_VIRTUAL_PORT = "tcp://127.0.0.1:9"
"""A port that is named is always looked at; in virtual time nothing is ever opened there."""
_READY_S = 20.0
_ENDED = frozenset({"succeeded", "failed", "cancelled", "interrupted"})
_QUIET = 30
"""The level of warnings: what the daemon notes beside its work is not what a test is about."""


class NoHandsError(RuntimeError):
    """The device at a port of its own has no socket that a test could reach."""


@dataclass
class PracticeBench:
    """A bench for one test. `url` and `token` are what a front end needs; `client` speaks JSON with it."""

    url: str
    token: str
    client: BenchClient
    http: httpx.Client
    bench: Bench
    _hands: "VirtualHands | ServedProgrammer | None"
    _pins: int
    _seed: int = 0

    @property
    def headers(self) -> dict[str, str]:
        """The header that every request needs."""
        return {"Authorization": f"Bearer {self.token}"}

    # Hands

    def put_in(
        self,
        part: str,
        stock: str = "blank",
        *,
        content: bytes | None = None,
        seed: int | None = None,
        placement: Placement | None = None,
    ) -> Chip:
        """Put a chip into the socket, instead of what is there, and return it.

        `stock` is what `romwright simulate --chip` takes: blank, used, reversed, folded, stuck, and so on;
        `content` what a maker has programmed into it, from its first byte. Each chip is another piece, unless
        a `seed` says which. Raises BenchError for an unknown part, ValueError for content that is too long.
        """
        self._seed += 1
        made = make_socket(
            Catalogue().get(part), Stock(stock), self._seed if seed is None else seed, socket_pins=self._pins
        )
        chip = made.chip
        if chip is None:
            raise ValueError(f"stock {stock} has no chip; take_out() empties the socket")
        if content is not None:
            _fill(chip, content)
        where = placement or (Placement(reversed=True) if stock == Stock.REVERSED else None)
        where = where or (Placement(shift=-1) if stock == Stock.SHIFTED else None)
        self._on_board(lambda board, now_s: _swap(board, now_s, chip, where, made))
        return chip

    def take_out(self) -> Chip | None:
        """Take the chip out and return it; None when the socket is empty."""
        taken: list[Chip | None] = []
        self._on_board(lambda board, now_s: taken.append(board.remove(now_s)))
        return taken[0]

    def press_button(self) -> None:
        """Press the programmer's button."""
        self._on_board(lambda board, now_s: board.press_button(now_s))

    @property
    def supplies_off(self) -> bool:
        """Whether both supplies are at most half a volt at the socket (SPEC.md, D27)."""
        volts: list[float] = []

        def look(board: VirtualProgrammer, now_s: float) -> None:
            rails = board.rails(now_s)
            volts.append(max(rails.vcc_v, rails.vpp_v))

        self._on_board(look)
        return volts[0] < 0.501

    def _on_board(self, deed: Callable[[VirtualProgrammer, float], Any]) -> None:
        if self._hands is None:
            raise NoHandsError("the device is at a port of its own: put chips into its socket yourself")
        self._hands.look(deed)

    # Waiting

    def run_job(self, request: Mapping[str, Any], timeout_s: float = 60.0) -> dict[str, Any]:
        """Start a job over HTTP and return it as it ended."""
        job = self.client.post("/v1/jobs", dict(request))
        return self.wait(f"/v1/jobs/{job['id']}", lambda seen: seen["state"] in _ENDED, timeout_s)

    def wait(
        self, path: str, until: Callable[[dict[str, Any]], object], timeout_s: float = 60.0
    ) -> dict[str, Any]:
        """Return the JSON at `path` as soon as `until` says so. Raises TimeoutError (real seconds)."""
        deadline_s = time.monotonic() + timeout_s
        while True:
            seen: dict[str, Any] = self.client.get(path)
            if until(seen):
                return seen
            if time.monotonic() > deadline_s:
                raise TimeoutError(f"{path} did not come to that within {timeout_s:g} s: {seen}")
            time.sleep(0.02)


def held(chip: Chip) -> bytes:
    """Return what a chip's cells hold, read past all pins at 5.0 V, low byte of each word first."""
    rows = np.arange(chip.part.words, dtype=np.uint32)
    return bytes(chip.cells.read(rows, 5.0).astype("<u2" if chip.part.word_bytes == 2 else "u1").tobytes())


def _fill(chip: Chip, content: bytes) -> None:
    size_bytes = chip.part.size_bytes
    if len(content) > size_bytes:
        raise ValueError(f"{len(content)} bytes do not go into a {chip.part.name} of {size_bytes}")
    whole = content + bytes((chip.part.blank_byte,)) * (size_bytes - len(content))
    kind = "<u2" if chip.part.word_bytes == 2 else "u1"
    chip.program_at_maker(np.frombuffer(whole, dtype=kind).astype(np.uint16))


def _swap(
    board: VirtualProgrammer, now_s: float, chip: Chip, placement: Placement | None, made: Socket
) -> None:
    board.remove(now_s)
    board.socket.faults = dict(made.faults)
    board.insert(chip, now_s, placement)


@contextmanager
def practice_bench(
    folder: Path,
    *,
    board: str = "full",
    serial: str = "SIM-1",
    speed: float | None = None,
    port: str | None = None,
    **settings: Any,
) -> Iterator[PracticeBench]:
    """Yield a bench in `folder` whose programmer is ready.

    `board` is full or modest. Time is virtual, so that what waits for hardware waits for nothing; with
    `speed` the programmer is reached over TCP, its time so many times real time. `port` names a device
    instead, such as firmware under test, in real time. Anything else is a setting of the daemon.
    """
    if board not in _BOARDS:
        raise ValueError(f"board is {board!r}: full and modest are known")
    profile = _BOARDS[board](serial)
    pins = profile.identity.socket_pins
    with ExitStack() as stack:
        stack.enter_context(_quiet())
        hands: VirtualHands | ServedProgrammer | None = None
        options: dict[str, Any] = {}
        if port is None and speed is None:
            clock = VirtualClock()
            hands = VirtualHands(VirtualProgrammer(profile, Socket(pins)), clock)
            options = {"clock": clock, "make_transport": _line_to(hands, clock)}
            port = _VIRTUAL_PORT
        elif port is None:
            hands = ServedProgrammer(
                VirtualProgrammer(profile, Socket(pins)), TcpEndpoint(), speed=float(speed or 1.0)
            )
            hands.start()
            stack.callback(hands.stop)
            port = hands.port
        bench = Bench.open(_settings(folder, port, settings), **options)
        stack.callback(bench.stop)
        bench.start()
        token = new_token()
        url = stack.enter_context(_served(bench, token))
        client = stack.enter_context(BenchClient(url, token))
        http = stack.enter_context(
            httpx.Client(base_url=url, headers={"Authorization": f"Bearer {token}"}, trust_env=False)
        )
        _wait_until_ready(bench)
        yield PracticeBench(url, token, client, http, bench, hands, pins)


def _line_to(hands: VirtualHands, clock: VirtualClock) -> Callable[[Candidate, int], VirtualTransport]:
    return lambda candidate, _baud: VirtualTransport(hands, clock, path=candidate.path)


def _settings(folder: Path, port: str, more: Mapping[str, Any]) -> Settings:
    given: dict[str, Any] = {
        "state_dir": folder / "state",
        "runtime_dir": folder / "runtime",
        "parts_dir": folder / "parts",
        "adapters_dir": folder / "adapters",
        "discover_serial": False,
        "discover_usb": False,
        "ports": (port,),
        "poll_interval_s": 0.2,
        **more,
    }
    return Settings(**given)


def _wait_until_ready(bench: Bench) -> None:
    deadline_s = time.monotonic() + _READY_S
    while not any(view.state is ProgrammerState.READY for view in bench.programmers()):
        if time.monotonic() > deadline_s:
            troubles = [view.problem.message for view in bench.programmers() if view.problem]
            raise TimeoutError(f"the programmer does not answer: {'; '.join(troubles) or 'no port'}")
        time.sleep(0.01)


@contextmanager
def _served(bench: Bench, token: str) -> Iterator[str]:
    """Serve the bench on a free port of this machine, in a thread; yield its address."""
    ready = threading.Event()
    server = BenchServer(create_app(bench, token, bench.settings), on_ready=ready.set)
    with sockets.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, name="practice bench")
        thread.start()
        try:
            if not ready.wait(_READY_S):
                raise TimeoutError("the HTTP interface did not come up")
            yield f"http://127.0.0.1:{listener.getsockname()[1]}"
        finally:
            server.ask_to_stop()
            thread.join()


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the daemon's notes out of the test's output, unless the test has set logging up itself."""
    if structlog.is_configured():
        yield
        return
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(_QUIET))
    try:
        yield
    finally:
        structlog.reset_defaults()
