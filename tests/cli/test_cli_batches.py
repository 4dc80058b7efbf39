"""Batches on the command line: the worked example of docs/batches.md, screens, keys and exit statuses."""

import io
import json
import re
import shlex
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import junitparser
import pytest
from rich.console import Console
from typer.testing import Result

from cli.batch_follow import status_of_batch
from cli.batch_view import LiveScreen, PlainScreen, set_words
from cli.exit_codes import Exit
from cli.out import Out
from tests.cli.conftest import Place, Simulator

DOCS = (Path(__file__).parents[2] / "docs" / "batches.md").read_text(encoding="utf-8")
#: The worked example: what is typed, and what is said.
EXAMPLE = re.search(r"<!-- worked batch -->\n```\n(.*?)```", DOCS, re.S)


def follow(process: "subprocess.Popen[str]", hands: Simulator, chips: list[str]) -> list[dict[str, Any]]:
    """Do what a batch asks for, with these chips; return all that it said."""
    said = []
    assert process.stdout is not None
    for line in process.stdout:
        said.append(json.loads(line))
        if said[-1].get("type") != "batch-state":
            continue
        code = said[-1]["instruction"]["code"]
        if code == "put-in" and hands.tell("state")["chip"] is None:
            hands.tell(chips.pop(0))
        elif code.startswith("take-out") or code == "reseat":
            hands.tell("remove")
    return said


def start(place: Place, *arguments: str) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-m", "cli.main", *arguments],
        env=place.environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.mark.slow
def test_the_worked_batch(place: Place, simulator: Callable[..., Simulator]) -> None:
    """One set with a used chip among the blank ones, made without a key, as docs/batches.md has it."""
    assert EXAMPLE is not None
    first, *instructions = [line for line in EXAMPLE.group(1).splitlines() if line]
    hands = simulator("--part", "M27C512", "--chip", "none", "--speed", "20")
    with place.config.open("a") as file:
        file.write(f'ports = ["{hands.port}"]\n')
    report = place.folder / "tern-16.xml"
    words = shlex.split(first.replace("tern-16.xml", str(report)))
    assert words[:2] == ["romwright", "batch"]
    with start(place, *words[1:], "--yes", "--json") as process:
        said = follow(process, hands, ["chip blank", "chip used", "chip blank"])
    assert process.returncode == 0, said[-1]["instruction"]
    told = [each["instruction"]["words"] for each in said if each.get("type") == "batch-state"]
    for line in instructions:
        assert line in told, line
    chips = [(each["position"], each["verdict"]) for each in said if each.get("type") == "batch-chip"]
    assert chips == [("U10", "good"), ("U11", "re-expose"), ("U11", "good")]
    assert said[-1]["results"]["yield_share"] == pytest.approx(2 / 3)
    read = junitparser.JUnitXml.fromfile(str(report))
    assert (read.tests, read.failures) == (3, 1)
    shown = place.run("batch", "show")
    assert "Yield 67%" in shown.stdout
    assert "Failed: 1 not-blank." in shown.stdout
    job_report = place.folder / "job.xml"
    assert place.run("job", "1", "--junit", str(job_report)).returncode == 0
    assert junitparser.JUnitXml.fromfile(str(job_report)).failures == 0
    listed = json.loads(place.run("batch", "list", "--json").stdout)["batches"]
    assert [(each["board_id"], each["state"]) for each in listed] == [("tern-16", "finished")]
    # The next one goes on with set 2; it is paused, resumed, spoken to and ended by a script.
    again = ("batch", "start", "tern-16", "--sets", "1", "--first-set", "2", "--yes", "--detach", "--json")
    begun = json.loads(place.run(*again).stdout)
    assert begun["first_set"] == 2
    paused = json.loads(place.run("batch", "pause", "--json").stdout)
    assert (paused["state"], paused["why"]) == ("paused", "person")
    assert place.run("batch", "follow", "--json").returncode == Exit.BROKEN_OFF
    assert json.loads(place.run("batch", "resume", "--detach", "--json").stdout)["state"] == "active"
    assert place.run("batch", "say", "yes").returncode == Exit.REFUSED
    assert json.loads(place.run("batch", "end", "--json").stdout)["state"] == "ended"


def test_it_does_not_begin_without_a_yes(invoke: Callable[..., Result], place: Place) -> None:
    # Before anything is started or looked for: the part and its VPP have not been compared by anybody.
    from cli.batches import confirm
    from cli.failure import Failure

    with pytest.raises(Failure) as refused:
        confirm(None, {}, yes=False)  # type: ignore[arg-type]
    assert refused.value.status is Exit.USAGE
    assert "--yes" in refused.value.hint


BATCH: dict[str, Any] = {
    "id": "bt_1", "number": 3, "sets": 20, "board_name": "Tern-16", "state": "active", "why": None,
    "made": 2, "total": 40, "counts": {"good": 2, "reject": 1, "re-expose": 0},
    "results": {"remaining_s": 480.0},
    "instruction": {
        "code": "put-in", "words": "Put a chip for U10 (even bytes), set 3 of 20, in the socket.",
        "detail": "Stick the label on now: Tern-16 U10, set 2.",
    },
    "last": {
        "number": 3, "position": "U10", "set_number": 3, "verdict": "reject", "good": False,
        "words": "a word does not take",
    },
}  # fmt: skip


def drawn(screen: LiveScreen) -> str:
    console = Console(width=80, file=io.StringIO(), record=True, force_terminal=True)
    console.print(screen.render())
    return console.export_text()


def test_the_live_screen_has_one_large_instruction_the_count_and_the_last_result() -> None:
    screen = LiveScreen(Out(), keys=True)
    assert drawn(screen).strip() == "..."
    screen._batch = BATCH
    screen.chip(BATCH["last"])
    screen.progress("Program, 3.0 s left")
    lines = [line.strip(" │") for line in drawn(screen).splitlines()]
    assert "Batch 3: 20 x Tern-16" in drawn(screen)
    assert BATCH["instruction"]["words"] in lines
    assert BATCH["instruction"]["detail"] in lines
    assert "2 of 40 made, 1 rejected, about 8 min left" in lines
    assert "Last: Chip 3 for U10, set 3: BAD, to the reject pile: a word does not take" in lines
    assert "Program, 3.0 s left" in lines
    screen.show({**BATCH, "last": None, "instruction": {"code": "starting", "words": "-", "detail": ""}})
    assert BATCH["instruction"]["words"] in drawn(screen)


def test_numbers_of_sets_are_said_as_ranges() -> None:
    assert set_words([1, 3, 4, 5, 9]) == "sets 1, 3 to 5, 9"
    assert set_words([7]) == "set 7"


def test_without_a_terminal_each_instruction_is_a_line(capsys: pytest.CaptureFixture[str]) -> None:
    with PlainScreen(Out()) as screen:
        screen.show(BATCH)
        screen.show(BATCH)
        screen.chip(BATCH["last"])
    out = capsys.readouterr().out.splitlines()
    assert out[0].startswith("[2/40] Put a chip for U10 (even bytes), set 3 of 20, in the socket.")
    assert out[1:] == ["  Chip 3 for U10, set 3: BAD, to the reject pile: a word does not take"]


@pytest.mark.parametrize(
    ("state", "why", "status"),
    [
        ("finished", None, Exit.DONE),
        ("paused", "rejects", Exit.NEGATIVE),
        ("paused", "trouble", Exit.BROKEN_OFF),
        ("paused", "person", Exit.BROKEN_OFF),
        ("ended", None, Exit.BROKEN_OFF),
    ],
)
def test_the_exit_status_says_whether_all_is_made(state: str, why: str | None, status: Exit) -> None:
    assert status_of_batch({"state": state, "why": why}) is status
