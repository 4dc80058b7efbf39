"""The command line under test: in this process by typer's runner, or as processes of its own."""

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from cli.main import app


@dataclass
class Place:
    """A user's machine in small: a configuration file and a state folder of its own."""

    folder: Path
    environment: dict[str, str]

    @property
    def state_dir(self) -> Path:
        return self.folder / "state"

    @property
    def config(self) -> Path:
        return self.folder / "romwright.toml"

    def run(self, *arguments: str, stdin: str | None = None) -> "subprocess.CompletedProcess[str]":
        """Run a command here, as a process would: its daemon is a process in any case."""
        result = CliRunner(env=self.environment).invoke(
            app, list(arguments), input=stdin, prog_name="romwright"
        )
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        return subprocess.CompletedProcess(arguments, result.exit_code, result.stdout, result.stderr)

    def run_process(self, *arguments: str, stdin: str | None = None) -> "subprocess.CompletedProcess[str]":
        """Run a command in a process of its own."""
        return subprocess.run(
            [sys.executable, "-m", "cli.main", *arguments],
            env=self.environment,
            input=stdin,
            capture_output=True,
            text=True,
            check=False,
            timeout=100,
        )


class Simulator:
    """A simulated programmer in a process of its own, told what to do by words."""

    def __init__(self, *options: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "cli.main", "simulate", "--json", *options],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.port: str = self._answer()["port"]
        # While it is open here no other test's port gets its number, which a daemon may still be looking for.
        self._held = os.open(self.port, os.O_RDWR | os.O_NOCTTY) if self.port.startswith("/dev/") else None

    def tell(self, words: str) -> dict[str, Any]:
        assert self.process.stdin is not None
        self.process.stdin.write(f"{words}\n")
        self.process.stdin.flush()
        return self._answer()

    def unplug(self) -> None:
        self.process.kill()
        self.process.communicate()

    def close(self) -> None:
        if self.process.poll() is None:
            self.unplug()
        if self._held is not None:
            os.close(self._held)

    def _answer(self) -> dict[str, Any]:
        assert self.process.stdout is not None
        answer: dict[str, Any] = json.loads(self.process.stdout.readline())
        return answer


@pytest.fixture
def simulator() -> Iterator[Callable[..., Simulator]]:
    """Start simulated programmers; they end with the test."""
    started: list[Simulator] = []

    def start(*options: str) -> Simulator:
        started.append(Simulator(*options))
        return started[-1]

    yield start
    for each in started:
        each.close()


@pytest.fixture
def place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, simulator: Callable[..., Simulator]
) -> Iterator[Place]:
    """A machine whose daemon ends before the simulated programmers do, whatever a test asks for first."""
    for name in list(os.environ):
        if name.startswith("ROMWRIGHT_"):
            monkeypatch.delenv(name)
    made = Place(tmp_path, {})
    made.config.write_text(
        f'state_dir = "{made.state_dir.as_posix()}"\n'
        f'parts_dir = "{(tmp_path / "parts").as_posix()}"\n'
        "discover_serial = false\ndiscover_usb = false\nport = 0\npoll_interval_s = 0.2\n"
    )
    monkeypatch.setenv("ROMWRIGHT_CONFIG", str(made.config))
    made.environment = dict(os.environ)
    yield made
    if (made.state_dir / "run" / "bench.json").exists():
        assert made.run("stop").returncode == 0


@pytest.fixture
def invoke(place: Place) -> Callable[..., Result]:
    """Run a command in this process."""

    def run(*arguments: str) -> Result:
        return CliRunner().invoke(app, list(arguments), prog_name="romwright")

    return run
