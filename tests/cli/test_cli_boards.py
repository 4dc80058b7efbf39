"""Boards and content by commands, each a process of its own, as users have them."""

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from cli.chips_on_hand import named_files, on_hand
from cli.exit_codes import Exit
from cli.failure import Failure
from daemon.boards.demo_images import tern8_rom, tern16_bin

RECIPE = """name = "Mine"
[sources.rom]
file = "rom.bin"
[[positions]]
label = "U1"
made_for = "M27C64A"
access_ns = 300
source = "rom"
"""


def document(done: "subprocess.CompletedProcess[str]") -> dict[str, Any]:
    assert done.returncode == Exit.DONE, done.stdout + done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


# Words on the command line


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("M27C512", {"part": "M27C512"}),
        ("2716", {"part": "2716"}),
        ("2 M27C512 blank 100ns", {"part": "M27C512", "count": 2, "state": "blank", "access_ns": 100}),
        ("3x 2716", {"part": "2716", "count": 3}),
        ("ST M27C512 x4, used", {"part": "ST M27C512", "count": 4, "state": "used"}),
    ],
)
def test_chips_on_hand_in_words(text: str, expected: dict[str, Any]) -> None:
    assert on_hand(text) == {"label": text, **expected}


def test_words_that_say_too_little() -> None:
    with pytest.raises(Failure, match="names no part"):
        on_hand("blank 100ns")
    assert named_files(["a.bin"], ["rom"], "--file") == {"rom": Path("a.bin")}
    assert named_files(["x=a.bin", "y=b.bin"], ["x", "y"], "--file")["y"] == Path("b.bin")
    for values in (["a.bin"], ["z=a.bin"], ["x="]):
        with pytest.raises(Failure, match="does not say"):
            named_files(values, ["x", "y"], "--file")


# The commands

slow = pytest.mark.slow


@slow
def test_a_plan_a_newcomer_can_follow(place: Any) -> None:
    done = place.run("board", "plan", "tern-8", "--have", "2 M27C512 blank 100ns")
    assert done.returncode == Exit.DONE, done.stderr
    for words in (
        "U4  firmware, at 8000 to FFFF",
        "Skip a header of 128 bytes that begins with 'SKERRY TERN-8'.",
        "M27C512, 64 KiB: On hand (2 M27C512 blank 100ns), blank; 100 ns is fast enough for 220 ns.",
        "Write the content at 0x8000",
        "Buy 1 × ",
    ):
        assert words in done.stdout
    listed = place.run("board", "list")
    assert "tern-16-wide" in listed.stdout
    assert "U10" in place.run("board", "show", "tern-16").stdout


@slow
def test_contents_are_saved_and_put_together_again(place: Any) -> None:
    folder: Path = place.folder
    document(place.run("board", "plan", "tern-16", "--save", str(folder), "--json"))
    even, odd = folder / "tern-16-U10.bin", folder / "tern-16-U11.bin"
    assert even.read_bytes() == tern16_bin()[::2]
    back = folder / "back"
    back.mkdir()
    reads = ("--chip", f"U10={even}", "--chip", f"U11={odd}")
    done = place.run("board", "reassemble", "tern-16", *reads, "--save", str(back))
    assert done.returncode == Exit.DONE, done.stderr
    assert (back / "tern16.bin").read_bytes() == tern16_bin()


@slow
def test_a_board_of_ones_own(place: Any) -> None:
    recipe, rom = place.folder / "mine.toml", place.folder / "rom.bin"
    recipe.write_text(RECIPE.replace("label", "lable"))
    rom.write_bytes(bytes(range(256)) * 32)
    wrong = place.run("board", "add", str(recipe))
    assert wrong.returncode == Exit.REFUSED
    assert "line 5" in wrong.stderr
    assert "did you mean label?" in wrong.stderr
    recipe.write_text(RECIPE)
    assert document(place.run("board", "add", str(recipe), "--json"))["id"] == "mine"
    planned = document(place.run("board", "plan", "mine", "--file", str(rom), "--json"))
    assert planned["positions"][0]["chips"][0]["content"]["size_bytes"] == 8192
    assert place.run("board", "show", "mine", "--recipe").stdout == RECIPE
    assert place.run("board", "remove", "mine").returncode == Exit.DONE
    assert place.run("board", "show", "mine").returncode == Exit.REFUSED
    assert place.run("board", "plan", "mine", "--file", "nothing=x").returncode != Exit.DONE


@slow
def test_content_commands(place: Any) -> None:
    folder: Path = place.folder
    rom, recipe = folder / "tern8.rom", folder / "steps.toml"
    rom.write_bytes(tern8_rom())
    recipe.write_text('steps = [{ do = "skip-header", length_bytes = 128 }, { do = "split", lane = "odd" }]')
    shown = place.run("content", "hex", str(rom), "--length", "16")
    assert "|SKERRY TERN-8...|" in shown.stdout
    odd, half = folder / "odd.bin", folder / "half.bin"
    made = place.run("content", "transform", str(rom), str(recipe), str(odd))
    assert "Take the odd bytes." in made.stdout
    assert odd.read_bytes() == tern8_rom()[129::2]
    size = str(len(tern8_rom()))
    restored = place.run("content", "restore", str(odd), str(recipe), str(half), "--size", size)
    assert "Not known: 0x0 to 0x80" in restored.stdout
    assert half.read_bytes()[129::2] == tern8_rom()[129::2]
    known = folder / "known.bin"
    known.write_bytes(tern8_rom()[128:4224])
    found = place.run("content", "lines", str(known), str(known))
    assert "no other order fits" in found.stdout
    test = folder / "test.bin"
    assert place.run("content", "make-test", "address", str(test), "--size", "0x100").returncode == Exit.DONE
    assert test.read_bytes() == bytes(range(256))
    recipe.write_text("wrong = 1")
    assert place.run("content", "transform", str(rom), str(recipe), str(odd), "--replace").returncode == 2


@slow
@pytest.mark.skipif(sys.platform == "win32", reason="uses pseudo-terminals")
def test_a_chip_of_a_board_is_programmed(place: Any, simulator: Callable[..., Any]) -> None:
    board = simulator("--speed", "20")
    options = ("--have", "2 M27C512 blank 100ns", "--port", board.port, "--yes", "--json")
    several = place.run("board", "program", "tern-16", *options)
    assert several.returncode == Exit.USAGE
    assert "somebody has to change them" in several.stdout
    done = document(place.run("board", "program", "tern-16", "--position", "U10", *options))
    assert done["state"] == "succeeded"
    copy = place.folder / "copy.bin"
    assert place.run("read", str(copy), "--part", "M27C512").returncode == Exit.DONE
    assert copy.read_bytes() == tern16_bin()[::2]
