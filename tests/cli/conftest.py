"""The command line under test: in this process by typer's runner, or as processes of its own."""

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

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


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Place]:
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
        made.run("stop")


@pytest.fixture
def invoke(place: Place) -> Callable[..., Result]:
    """Run a command in this process."""

    def run(*arguments: str) -> Result:
        return CliRunner().invoke(app, list(arguments), prog_name="romwright")

    return run
