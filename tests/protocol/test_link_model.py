"""The link as a model, walked through in every order by a general checker, and held against text and code."""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from protocol.device.states import MOVES, DeviceState
from protocol.host.states import TRANSITIONS, LinkState
from tests.support import spin

SPEC = Path(__file__).parents[2] / "protocol" / "SPEC.md"
needs_spin = pytest.mark.skipif(spin.missing() is not None, reason=f"model checker: {spin.missing()}")

#: What the line, the device and the user may do in each walk; each ends within seconds.
WALKS = {
    "numbers wrap, a reset": {"FAULTS": 1, "REQUESTS": 5, "RESETS": 1},
    "two faults": {"FAULTS": 2, "REQUESTS": 4},
    "two faults, an abort": {"FAULTS": 2, "REQUESTS": 4, "ABORTS": 1, "SPURIOUS": 0},
    "two faults, a reset": {"FAULTS": 2, "REQUESTS": 4, "RESETS": 1, "SPURIOUS": 0},
    "the watchdog, an abort": {"FAULTS": 1, "REQUESTS": 3, "BITES": 1, "ABORTS": 1},
    "a window of one": {"FAULTS": 2, "REQUESTS": 4, "WINDOW": 1, "SPACE": 2, "RESETS": 1},
}
#: A rule left out, and the walk that must then go wrong.
WITHOUT = {
    "WITHOUT_D8": "no room: a frame of an old session is taken for one of this",
    "WITHOUT_D18": "the same operation is carried out again in the next session",
    "WITHOUT_H4": "an answer of an old session is taken for one of this",
}


@needs_spin
@pytest.mark.parametrize("walk", WALKS)
def test_nothing_is_done_twice_no_answer_mistaken_and_nobody_stuck(tmp_path: Path, walk: str) -> None:
    assert spin.explored(tmp_path, {**WALKS[walk]}) is None


@needs_spin
@pytest.mark.parametrize("also", ["RESETS", "ABORTS", "BITES"])
def test_every_request_ends_when_the_line_has_done_its_worst(tmp_path: Path, also: str) -> None:
    assert spin.explored(tmp_path, {"FAULTS": 1, "REQUESTS": 3, also: 1}, live=True) is None


@needs_spin
def test_nothing_is_done_twice_even_when_a_copy_comes_at_any_later_time(tmp_path: Path) -> None:
    defines = {"FAULTS": 1, "REQUESTS": 6, "ANY_DELAY": None}
    assert spin.explored(tmp_path, defines, ends=False) is None


@needs_spin
@pytest.mark.parametrize("rule", WITHOUT)
def test_without_a_rule_the_walk_finds_what_goes_wrong(tmp_path: Path, rule: str) -> None:
    wrong = spin.explored(tmp_path, {rule: None, "FAULTS": 2})
    assert wrong is not None
    assert "assertion violated" in wrong


@needs_spin
def test_a_window_of_more_than_half_the_numbers_goes_wrong(tmp_path: Path) -> None:
    # Sequence numbers must be at least twice the window where repeats are answered: Tanenbaum and Wetherall,
    # Computer Networks, on sliding windows (from memory).
    wrong = spin.explored(tmp_path, {"FAULTS": 1, "REQUESTS": 5, "SPACE": 3})
    assert wrong is not None
    assert "assertion violated" in wrong


@needs_spin
@pytest.mark.parametrize("rule", ["WITHOUT_D11", "WITHOUT_H8"])
def test_without_results_from_memory_a_lost_one_is_waited_for_for_ever(tmp_path: Path, rule: str) -> None:
    assert spin.explored(tmp_path, {rule: None, "FAULTS": 1}, live=True) == "acceptance cycle"


def spec_moves(heading: str) -> set[tuple[str, str]]:
    """Return the moves of the table "from, to, when" below a heading of SPEC.md, each as a pair of names."""
    section = SPEC.read_text(encoding="utf-8").split(f"### {heading}\n")[1].split("\n###")[0]
    rows = section.split("| from | to | when |\n| --- | --- | --- |\n")[1].split("\n\n")[0].splitlines()
    cells = [[cell.strip() for cell in row.strip("|").split("|")] for row in rows]
    return {(source.replace(" ", "_"), target.replace(" ", "_")) for froms, target, _ in cells
            for source in froms.split(", ")}  # fmt: skip


def model_moves(table: str) -> set[tuple[str, str]]:
    """Return the moves that the model allows its device or host."""
    text = spin.MODEL.read_text(encoding="utf-8").split(f"#define {table}(from, to)")[1].split(")\n")[0]
    return {(a.lower(), b.lower()) for a, b in re.findall(r"from == [DH]_(\w+) && to == [DH]_(\w+)", text)}


def code_moves(table: Mapping[Any, Mapping[Any, Any]]) -> set[tuple[str, str]]:
    return {(a.name.lower(), b.name.lower()) for a, moves in table.items() for b in moves.values()}


def test_the_devices_states_are_the_same_in_text_model_and_code() -> None:
    moves = spec_moves("States of the device")
    assert moves == model_moves("DEVICE_MAY") == code_moves(MOVES)
    assert {name for move in moves for name in move} == {state.name.lower() for state in DeviceState}


def test_the_hosts_states_are_the_same_in_text_model_and_code() -> None:
    moves = spec_moves("States of the host")
    assert moves == model_moves("HOST_MAY") == code_moves(TRANSITIONS)
    assert {name for move in moves for name in move} == {state.name.lower() for state in LinkState}
