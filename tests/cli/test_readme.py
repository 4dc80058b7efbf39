"""What the README says can be typed can be typed."""

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import typer

from cli.main import app

README = Path(__file__).parents[2] / "README.md"
TEXT = README.read_text(encoding="utf-8")
WALK = re.compile(
    r"<!-- curl walk-through: begin -->\n```sh\n(.*?)```\n<!-- curl walk-through: end -->", re.S
)


def commands_named() -> list[list[str]]:
    """Return every `romwright ...` of the README's code, as words."""
    blocks = re.findall(r"```sh\n(.*?)```", TEXT, re.S) + re.findall(r"`(romwright [^`]+)`", TEXT)
    found = re.findall(r"romwright ([a-z][^\n#|)`]*)", "\n".join(blocks))
    return [line.split() for line in found]


def test_every_command_and_option_in_it_exists() -> None:
    group: Any = typer.main.get_command(app)
    named = commands_named()
    assert len(named) > 15
    for name, *rest in named:
        assert name in group.commands, name
        options = {option for parameter in group.commands[name].params for option in parameter.opts}
        for word in rest:
            assert not word.startswith("--") or word in options, f"{name} {word}"


def test_its_links_lead_somewhere() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", TEXT):
        assert (README.parent / target).exists(), target


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux" or not shutil.which("curl"), reason="needs curl, bash and Linux")
def test_the_walk_through_with_curl(place: Any, simulator: Any) -> None:
    match = WALK.search(TEXT)
    assert match is not None
    port = simulator("--part", "M27C512", "--speed", "20").port
    with place.config.open("a") as file:
        file.write(f'ports = ["{port}"]\n')
    image = os.urandom(65536)
    (place.folder / "firmware.bin").write_bytes(image)
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", match.group(1)],
        cwd=place.folder,
        env={**place.environment, "PATH": path},
        capture_output=True,
        text=True,
        check=False,
        timeout=100,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert (place.folder / "read-back.bin").read_bytes() == image
    states = [line for line in done.stdout.splitlines() if line in ("succeeded", "failed", "cancelled")]
    assert states == ["succeeded", "succeeded", "succeeded", "cancelled"]
    assert "event: job-progress" in done.stdout
    estimate = json.loads(done.stdout[done.stdout.rindex('{"time_s"') :])
    assert estimate["dose_j_per_cm2"] == 15
    assert any(caution["code"] == "uvc-eyes-and-skin" for caution in estimate["cautions"])
