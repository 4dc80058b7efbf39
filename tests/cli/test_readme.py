"""What the README and the other pages say can be typed can be typed."""

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


DOCS = [README, README.parent / "DEVELOPERS.md", *sorted((README.parent / "docs").glob("*.md"))]


def commands_named(text: str) -> list[list[str]]:
    """Return every `romwright ...` of a page's code, as words."""
    blocks = re.findall(r"```(?:sh)?\n(.*?)```", text, re.S) + re.findall(r"`(romwright [^`]+)`", text)
    found = re.findall(r"romwright ([a-z][^\n#|)`]*)", "\n".join(blocks))
    return [line.split() for line in found]


@pytest.mark.parametrize("page", DOCS, ids=lambda page: page.name)
def test_every_command_and_option_in_it_exists(page: Path) -> None:
    for words in commands_named(page.read_text(encoding="utf-8")):
        command: Any = typer.main.get_command(app)
        rest = list(words)
        while rest and hasattr(command, "commands"):
            assert rest[0] in command.commands, words
            command = command.commands[rest.pop(0)]
        options = {name for given in command.params for name in (*given.opts, *given.secondary_opts)}
        for word in rest:
            assert not word.startswith("--") or word in options, words


def test_commands_are_found_at_all() -> None:
    assert len(commands_named(TEXT)) > 15


@pytest.mark.parametrize("page", DOCS, ids=lambda page: page.name)
def test_its_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8")):
        assert (page.parent / target).exists(), target


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
