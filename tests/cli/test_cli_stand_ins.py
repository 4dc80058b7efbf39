"""Adapters, stand-ins and own files by commands, and jobs on a chip that sits on an adapter."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import Result

from cli.exit_codes import Exit

slow = pytest.mark.slow


# Files of one's own: no daemon needed


def folder_of(tmp_path: Path, **files: str) -> Path:
    folder = tmp_path / "own"
    folder.mkdir()
    for name, text in files.items():
        (folder / f"{name}.toml").write_text(text)
    return folder


STRAIGHT = (
    'name = "Straight"\npackage = "DIP4"\nplug = "DIP4"\norientation = "pin-1-up"\npins = [1, 2, 3, 4]\n'
)


def test_a_wrong_file_is_told_with_key_reason_and_nearest(
    invoke: Callable[..., Result], tmp_path: Path
) -> None:
    wrong = STRAIGHT.replace("orientation", "orientaton").replace("[1, 2, 3, 4]", "[1, 2, 3, 3]")
    folder = folder_of(tmp_path, good=STRAIGHT, wrong=wrong)
    result = invoke("check-files", str(folder))
    assert result.exit_code == Exit.NEGATIVE
    assert "wrong.toml: orientaton: is not a field that an adapter has here; did you mean orientation?" in (
        result.stdout
    )
    assert "good.toml" not in result.stdout
    found = json.loads(invoke("check-files", str(folder), "--json").stdout)
    assert [Path(file).name for file in found["files"]] == ["good.toml", "wrong.toml"]
    assert {"orientation", None} >= {each["nearest"] for each in found["problems"]}
    only = invoke("check-files", str(folder / "good.toml"))
    assert only.exit_code == Exit.DONE
    assert "1 file checked" in only.stdout


def test_no_such_folder(invoke: Callable[..., Result], tmp_path: Path) -> None:
    assert invoke("check-files", str(tmp_path / "nowhere")).exit_code == Exit.USAGE


def test_the_benchs_own_folders_are_the_default(place: Any, invoke: Callable[..., Result]) -> None:
    with place.config.open("a") as file:
        file.write(f'adapters_dir = "{(place.folder / "stands").as_posix()}"\n')
    empty = invoke("check-files")
    assert empty.exit_code == Exit.DONE
    assert empty.stdout.startswith("No files")
    (place.folder / "stands").mkdir()
    (place.folder / "stands" / "mine.toml").write_text(STRAIGHT)
    assert invoke("check-files").exit_code == Exit.DONE
    # In the folder of adapters a file is one whatever it holds.
    (place.folder / "stands" / "odd.toml").write_text('nmae = "x"\n')
    odd = invoke("check-files")
    assert odd.exit_code == Exit.NEGATIVE
    assert "odd.toml: nmae: is not a field that an adapter has here; did you mean name?" in odd.stdout


# Wrong command lines


@pytest.mark.parametrize(
    "arguments",
    [
        ("stand-ins",),
        ("stand-ins", "M27C512", "--net", "low"),
        ("stand-ins", "M27C512", "--net", "one=low"),
        ("read", "x.bin", "--part", "M27C512", "--bank", "1"),
        ("read", "x.bin", "--part", "M27C512", "--adapter", "a", "--bank", "64"),
        ("pin-check", "--part", "M27C512", "--bank", "0"),
    ],
)
def test_a_wrong_command_line(invoke: Callable[..., Result], arguments: tuple[str, ...]) -> None:
    result = invoke(*arguments)
    assert result.exit_code == Exit.USAGE
    assert "Error: " in result.stderr


@pytest.mark.parametrize(
    "command", ["program", "write", "verify", "read", "blank-check", "identify", "pin-check", "erase"]
)
def test_every_command_on_a_chip_takes_an_adapter(invoke: Callable[..., Result], command: str) -> None:
    help_text = invoke(command, "--help").output
    assert "--adapter NAME" in help_text
    assert "--bank N" in help_text


# With a daemon


@slow
def test_adapters_and_stand_ins(place: Any) -> None:
    listed = place.run("adapters", "M27C160")
    assert listed.returncode == Exit.DONE, listed.stderr
    assert "dip42-in-dip40" in listed.stdout
    assert "--bank 0 to 3" in listed.stdout
    assert "plcc32" not in listed.stdout
    assert place.run("adapters", "27C999").returncode == Exit.REFUSED

    offered = place.run("stand-ins", "M27C256B", "--access-ns", "120")
    assert offered.returncode == Exit.DONE, offered.stderr
    assert "Write the content at 0x8000" in offered.stdout
    assert "AT28HC256" in offered.stdout
    # AT28C256 sheet: 150 ns is its fastest grade.
    assert "AT28C256 " not in offered.stdout
    assert "--all shows them, with why." in offered.stdout
    why = place.run("stand-ins", "M27C256B", "--access-ns", "120", "--candidate", "AT28C256")
    assert why.returncode == Exit.NEGATIVE
    assert "Too slow" in why.stdout
    low = place.run("stand-ins", "27C256", "--candidate", "M27C512", "--net", "1=low", "--json")
    (found,) = json.loads(low.stdout)["stand_ins"]
    assert found["content"]["starts_bytes"] == [0]
    assert place.run("stand-ins", "M27C512", "--net", "29=low").returncode == Exit.REFUSED


CARRIER = """name = "Carrier"
package = "DIP28"
plug = "DIP28"
orientation = "pin-1-up"
pins = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22, 23, 24, 25, 26, 27, 28]
"""


@slow
def test_a_chip_on_an_adapter(place: Any, simulator: Callable[..., Any]) -> None:
    own = place.folder / "stands"
    own.mkdir()
    (own / "carrier.toml").write_text(CARRIER)
    switched = CARRIER.replace('"Carrier"', '"Carrier with a switch"').replace("[1, 2,", "[1, 0,")
    (own / "halves.toml").write_text(switched + "switched = [2]\n")
    board = simulator("--part", "M27C64A", "--speed", "20")
    with place.config.open("a") as file:
        file.write(f'adapters_dir = "{own.as_posix()}"\n')
    chip = ("--part", "M27C64A", "--port", board.port, "--adapter")
    done = place.run("blank-check", *chip, "halves", "--bank", "1")
    assert done.returncode == Exit.DONE, done.stdout + done.stderr
    # Pin 2 of a 2764 is A12; its upper half begins at 4096.
    assert "On the adapter Carrier with a switch:" in done.stderr
    assert "Set its switches: A12 high." in done.stderr
    assert "0x1000 to 0x1fff" in done.stderr
    image = place.folder / "whole.bin"
    image.write_bytes(bytes(range(256)) * 4)
    made = place.run("program", str(image), *chip, "carrier", "--yes")
    assert made.returncode == Exit.DONE, made.stdout + made.stderr
    assert "Adapter      Carrier (carrier)" in made.stdout
    assert "Put the DIP28 in with its pin 1 at the end where pin 1 of the plug is." in made.stdout
    job = json.loads(place.run("job", "--json").stdout)
    assert job["outcome"]["numbers"]["adapter"] == "carrier"
    unknown = place.run("pin-check", *chip, "carier")
    assert unknown.returncode == Exit.REFUSED
    assert "carrier" in unknown.stderr
