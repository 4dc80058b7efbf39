"""What the demonstration runs on: a simulated programmer and a daemon, each a process of its own.

Everything lies in one temporary folder: settings, state, the image. Neither the user's own daemon nor any
real port is touched, and nothing is left behind.
"""

import contextlib
import json
import os
import queue
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cli.client import BenchClient
from cli.demo.firmware import NAME, tern8_image
from cli.exit_codes import Exit
from cli.failure import Failure
from daemon.runtime_file import find_running

PART = "M27C512"
_START_S = 30.0
_ANSWER_S = 10.0
_END_S = 10.0
_LOOK_S = 0.05


class Simulator:
    """The simulator's process, told what to do as a person would: by words on its input."""

    def __init__(self, folder: Path, speed: float) -> None:
        self._errors = (folder / "simulator.log").open("wb")
        self._process = _spawn(
            ["simulate", "--json", "--part", PART, "--speed", f"{speed:g}", *_port_options()],
            folder,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._errors,
        )
        self._answers: queue.Queue[dict[str, Any] | None] = queue.Queue()
        threading.Thread(target=self._listen, name="simulator-answers", daemon=True).start()
        self.port = str(self._answer(_START_S)["port"])

    def tell(self, words: str) -> dict[str, Any]:
        """Say something to the simulator, such as `chip reversed`; return what it answers."""
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(f"{words}\n".encode())
            self._process.stdin.flush()
        except OSError as error:
            raise Failure(Exit.BROKEN_OFF, "the simulated programmer has ended") from error
        answer = self._answer(_ANSWER_S)
        if "error" in answer:
            raise Failure(Exit.BROKEN_OFF, f"the simulator does not know `{words}`: {answer['error']}")
        return answer

    def end(self) -> None:
        """End the process and wait for it."""
        with contextlib.suppress(OSError):
            if self._process.stdin is not None:
                self._process.stdin.close()
        _end(self._process)
        if self._process.stdout is not None:
            self._process.stdout.close()
        self._errors.close()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        with contextlib.suppress(ValueError, OSError):  # closed at the end
            for line in self._process.stdout:
                self._answers.put(json.loads(line))
        self._answers.put(None)

    def _answer(self, patience_s: float) -> dict[str, Any]:
        try:
            answer = self._answers.get(timeout=patience_s)
        except queue.Empty:
            answer = None
        if answer is None:
            raise Failure(Exit.BROKEN_OFF, "the simulated programmer does not answer")
        return answer


@dataclass(slots=True)
class Stage:
    """What a scene has in its hands."""

    client: BenchClient
    simulator: Simulator
    pause_s: float
    image_file: Path
    image: bytes


@contextlib.contextmanager
def stage(speed: float, pause_s: float) -> Iterator[Stage]:
    """Set everything up, and take it down again however the block ends.

    `speed`: how fast the simulated time runs; `pause_s`: how long to leave for reading.
    """
    with contextlib.ExitStack() as stack:
        folder = Path(tempfile.mkdtemp(prefix="romwright-demo-"))
        stack.callback(shutil.rmtree, folder, ignore_errors=True)
        image_file, image = folder / NAME, tern8_image()
        image_file.write_bytes(image)
        simulator = Simulator(folder, speed)
        stack.callback(simulator.end)
        client = stack.enter_context(_daemon(folder, simulator.port))
        yield Stage(client, simulator, pause_s, image_file, image)


@contextlib.contextmanager
def _daemon(folder: Path, port: str) -> Iterator[BenchClient]:
    config = folder / "romwright.toml"
    state = folder / "state"
    config.write_text(
        f"state_dir = {json.dumps(str(state))}\n"
        f"parts_dir = {json.dumps(str(folder / 'parts'))}\n"
        f"ports = [{json.dumps(port)}]\n"
        "port = 0\ndiscover_serial = false\ndiscover_usb = false\npoll_interval_s = 0.2\n",
        encoding="utf-8",
    )
    with (folder / "daemon.log").open("wb") as log:
        process = _spawn(
            ["serve", "--config", str(config)], folder, stdin=subprocess.DEVNULL, stdout=log, stderr=log
        )
        try:
            with _client(process, state / "run", folder / "daemon.log") as client:
                yield client
        finally:
            _end(process)


def _client(process: "subprocess.Popen[bytes]", runtime_dir: Path, log: Path) -> BenchClient:
    deadline_s = time.monotonic() + _START_S
    while time.monotonic() < deadline_s and process.poll() is None:
        info = find_running(runtime_dir) if runtime_dir.exists() else None
        if info is not None:
            return BenchClient(info.url, info.token)
        time.sleep(_LOOK_S)
    said = log.read_text(encoding="utf-8", errors="replace").strip()
    raise Failure(Exit.BROKEN_OFF, "the daemon did not start", said.rpartition("\n")[2])


def _spawn(arguments: list[str], folder: Path, **streams: Any) -> "subprocess.Popen[bytes]":
    """Run one of our own commands, apart from the user's settings and from Ctrl-C, which is ours."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("ROMWRIGHT_")}
    apart: dict[str, Any] = {"start_new_session": True}
    if sys.platform == "win32":
        apart = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    return subprocess.Popen(  # noqa: S603 - our own command, no shell
        [sys.executable, "-P", "-m", "cli.main", *arguments], cwd=folder, env=environment, **apart, **streams
    )


def _end(process: "subprocess.Popen[bytes]") -> None:
    process.terminate()
    try:
        process.wait(_END_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def _port_options() -> list[str]:
    return ["--tcp", "0"] if sys.platform == "win32" else []
