"""`docs/build-a-programmer.md`: its tables, its figures, and its commands against a simulated board."""

import re
import shlex
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from cli.builder import wiring
from cli.main import app
from daemon.catalogue.loader import Catalogue
from simulator.programmer import modest

PAGE = wiring.PAGE.read_text(encoding="utf-8")
COMPUTED = re.findall(r"```console\n\$ romwright (levels [^\n]+)\n(.*?)```", PAGE, re.S)
BLOCKS = re.findall(r"```sh\n(.*?)```", PAGE, re.S)


def commands(block: str) -> list[list[str]]:
    return [shlex.split(line)[1:] for line in block.splitlines()]


def run(*arguments: str, stdin: str | None = None) -> tuple[int, str]:
    done = CliRunner().invoke(app, list(arguments), input=stdin, prog_name="romwright")
    return done.exit_code, done.output


def test_the_wiring_tables_are_those_of_the_catalogue() -> None:
    assert wiring.filled(PAGE) == PAGE, "run: python -m cli.builder.wiring --write"
    with pytest.raises(ValueError, match="markers"):
        wiring.filled("no tables")


@pytest.mark.parametrize("package", wiring.FAMILIES)
def test_they_agree_with_parts_of_the_catalogue(package: str) -> None:
    """Each family has a part whose own signals are found at the pins of the table."""
    catalogue = list(Catalogue())
    for name, words in wiring.FAMILIES[package].items():
        found = [part for part in catalogue if part.pins == wiring.signals(name)]
        parts = [part for part in found if part.package.startswith("DIP")]
        assert parts, f"no part of the catalogue has the pins of {words}"
        for part in parts:
            assert part.package.startswith(package)
            row = f"| {part.pin_numbers('VCC')[0]} |"
            assert row in PAGE


def test_the_roles_are_what_a_modest_board_says_of_itself() -> None:
    """The simulator's hobby board was wired by hand, before these tables were there."""
    roles = wiring.roles(32, ("DIP24", "DIP28", "DIP32"))
    identity = modest().identity
    assert {pin for pin, own in roles.items() if "VPP" in own} == identity.vpp_pins
    assert {pin for pin, own in roles.items() if "VCC" in own} == identity.vcc_pins
    assert {pin for pin, own in roles.items() if "GND" in own} == identity.ground_pins
    assert {pin for pin, own in roles.items() if "logic" in own} == identity.drive_pins


@pytest.mark.parametrize(("command", "printed"), COMPUTED, ids=[each[0] for each in COMPUTED])
def test_the_figures_are_what_the_command_prints(command: str, printed: str) -> None:
    code, output = run(*shlex.split(command))
    assert output == printed
    assert code == 0


def test_it_has_figures_and_commands_at_all() -> None:
    assert len(COMPUTED) >= 10
    assert sum(len(commands(block)) for block in BLOCKS) >= 12


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
@pytest.mark.slow
def test_the_bring_up_can_be_typed(
    place: Any, simulator: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(place.folder)
    bench = simulator("--chip", "none", "--speed", "20")
    for words in (words for block in BLOCKS for words in commands(block)):
        arguments = [bench.port if word == "PORT" else word for word in words]
        stdin = None
        match words:
            case ["conformance", *options]:
                if "sacrificial" in options:
                    bench.tell("chip blank")
                if "--meter" in options:
                    stdin = "5.0\n6.25\n12.75\n0\n"
                elif "--verify-seal" not in options:
                    # All of it takes minutes, and somebody at the board.
                    arguments += ["--only", "discharge-needs-nothing"]
            case ["part", *_]:
                bench.tell("chip used")
            case ["blank-check", *_]:
                bench.tell("chip blank")
            case ["program", *_]:
                arguments.append("--yes")  # nobody is there who could be asked
        if words[0] == "conformance":
            code, output = run(*arguments, stdin=stdin)
        else:  # may start a daemon, which is to be no child of the tests
            done = place.run(*arguments)
            code, output = done.returncode, done.stdout + done.stderr
        assert code == 0 or words[0] == "doctor", (words, output)
    read = [Path(place.folder, name).read_bytes() for name in ("first.bin", "second.bin")]
    assert read[0] == read[1]
    assert len(read[0]) == 65536
