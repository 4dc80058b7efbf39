"""Help, wrong options, exit statuses as documented, and that starting is cheap."""

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import typer
from typer.testing import Result

import cli.commands
from cli.exit_codes import MEANINGS, Exit
from cli.late_commands import SUBJECTS, load
from cli.main import app

COMMANDS = sorted(typer.main.get_command(app).commands)  # type: ignore[attr-defined]
HEAVY = (
    "httpx",
    "numpy",
    "pydantic",
    "rich",
    "sqlalchemy",
    "fastapi",
    "uvicorn",
    "serial",
    "simulator",
    "api",
)


def test_the_commands_of_the_design_are_there() -> None:
    # Design, "Command line": the commands a user starts from.
    assert {"serve", "simulate", "demo", "doctor", "config"} <= set(COMMANDS)
    assert {"program", "write", "verify", "blank-check", "read", "identify", "pin-check", "erase"} <= set(
        COMMANDS
    )


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_has_help_that_fits_a_terminal(invoke: Callable[..., Result], command: str) -> None:
    result = invoke(command, "--help")
    assert result.exit_code == 0
    assert result.output.startswith(f"Usage: romwright {command}")
    assert max(len(line) for line in result.output.splitlines()) <= 80


def test_each_line_of_the_overview_is_whole(invoke: Callable[..., Result]) -> None:
    result = invoke("--help")
    assert result.exit_code == 0
    for command in COMMANDS:
        line = next(line for line in result.output.splitlines() if line.startswith(f"  {command} "))
        assert not line.endswith("..."), line


def test_without_arguments_it_shows_help(invoke: Callable[..., Result]) -> None:
    result = invoke()
    assert "Usage: romwright" in result.output
    assert result.exit_code == Exit.USAGE


@pytest.mark.parametrize(
    "arguments",
    [
        ("no-such-command",),
        ("program",),
        ("program", "file.bin"),
        ("program", "file.bin", "--part", "M27C512", "--no-such-option"),
        ("program", "file.bin", "--part", "M27C512", "--skip", "everything"),
        ("program", "file.bin", "--part", "M27C512", "--offset", "many"),
        ("blank-check", "--part", "M27C512", "--start", "-1"),
        ("erase-time", "--part", "M27C512", "--distance-mm", "0"),
        ("answer", "perhaps"),
        ("simulate", "--chip", "golden"),
    ],
)
def test_a_wrong_command_line_ends_with_2_and_says_why(
    invoke: Callable[..., Result], arguments: tuple[str, ...]
) -> None:
    result = invoke(*arguments)
    assert result.exit_code == Exit.USAGE
    assert "Error: " in result.stderr


def test_exit_statuses_are_documented_in_order(invoke: Callable[..., Result]) -> None:
    assert list(MEANINGS) == sorted(Exit)
    lines = invoke("help", "exit-codes").output.splitlines()
    assert [int(line.split()[0]) for line in lines] == [0, 1, 2, 3, 4, 5, 130]


def test_help_of_a_command_is_the_commands_own(invoke: Callable[..., Result]) -> None:
    assert invoke("help", "read").output == invoke("read", "--help").output


@pytest.mark.parametrize("subject", SUBJECTS)
def test_a_subject_registers_the_commands_that_are_said_to_be_its(subject: str) -> None:
    assert sorted(load(subject)) == sorted(SUBJECTS[subject])


def test_every_subject_is_known() -> None:
    folder = Path(cli.commands.__file__).parent
    registering = {file.stem for file in folder.glob("*.py") if "def register(" in file.read_text("utf-8")}
    assert registering - {"examine"} == set(SUBJECTS)  # which `chip` registers with its own


def test_version(invoke: Callable[..., Result]) -> None:
    result = invoke("--version")
    assert result.exit_code == 0
    assert result.output.startswith("romwright 0.")


def test_help_needs_nothing_heavy() -> None:
    program = f"import sys, cli.main\nprint([name for name in {HEAVY!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_every_client_command_knows_json() -> None:
    without = {"serve", "help", "simulate", "demo"}
    group = typer.main.get_command(app)
    for name, command in group.commands.items():  # type: ignore[attr-defined]
        for each in [command, *getattr(command, "commands", {}).values()]:
            options = {option for parameter in each.params for option in parameter.opts}
            if name not in without and not hasattr(each, "commands"):
                assert "--json" in options, name
