"""`SPEC.md` against the code: the generated parts, and the tables that were written by hand."""

import json
import re
from enum import IntEnum
from pathlib import Path

import pytest
from cobs import cobs

from protocol import appendix
from protocol.descriptor import LoopKind, SequenceId, Tag
from protocol.identity import IdentityTag
from protocol.messages import OPERATIONS
from protocol.wire import Capability, Fault, Kind, Level, Mode, NakReason, Opcode, Status

HERE = Path(__file__).parents[2] / "protocol"
SPEC = (HERE / "SPEC.md").read_text(encoding="utf-8")
FLAT = " ".join(SPEC.split())


def test_the_generated_parts_are_up_to_date() -> None:
    assert appendix.filled(SPEC) == SPEC, "run: python -m protocol.appendix --write"


def test_a_changed_appendix_is_noticed() -> None:
    assert appendix.filled(SPEC.replace("### 0x14 READ", "### 0x15 READ")) == SPEC


def test_a_missing_marker_is_named() -> None:
    with pytest.raises(ValueError, match="markers of appendix"):
        appendix.filled(SPEC.replace("<!-- appendix: end -->", ""))


def test_the_appendix_has_each_operation() -> None:
    text = appendix.appendix()
    for opcode in Opcode:
        assert f"### 0x{opcode:02X} {opcode.name}\n" in text
    assert "`op` (2), `address` (4), `pass` (1), `data` (all that remain)" in text
    assert "PROGRAM_FAILED" in text.split("### 0x20 PROGRAM")[1].split("###")[0]


def test_no_requirement_number_is_used_twice() -> None:
    numbers = re.findall(r"^- \*\*([DH]\d+)\*\*", SPEC, re.MULTILINE)
    assert len(numbers) == len(set(numbers))
    for letter in "DH":
        found = sorted(int(number[1:]) for number in numbers if number[0] == letter)
        assert found == list(range(1, len(found) + 1))


def test_every_requirement_that_is_spoken_of_exists() -> None:
    defined = set(re.findall(r"^- \*\*([DH]\d+)\*\*", SPEC, re.MULTILINE))
    spoken = set(re.findall(r"\b([DH]\d{1,2})\b", SPEC.split("## 6. ")[0]))
    # D0, A0 and the like are pins; they stand in section 6 and after.
    assert spoken <= defined
    shown = {number for scenario in _book()["scenarios"] for number in scenario["shows"]}
    assert shown <= defined


def _book() -> dict:
    return json.loads((HERE / "scenarios.json").read_text(encoding="utf-8"))


def rows(heading: str) -> list[list[str]]:
    """Return the cells of the first table after a text."""
    table = re.search(r"\|.*?\n\n", SPEC.split(heading)[1], re.DOTALL)
    assert table
    lines = table.group().strip().splitlines()[2:]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def test_kinds_in_the_table_of_section_2() -> None:
    found = {int(cells[0]): cells[1] for cells in rows("about 20,000.")}
    assert found == {int(kind): kind.name for kind in Kind}


def test_fault_bits() -> None:
    found = {int(cells[0]): cells[1] for cells in rows("in reset.\n")}
    assert found == {int(fault).bit_length() - 1: fault.name for fault in Fault}


def test_capability_bits() -> None:
    found: dict[int, str] = {}
    for cells in rows("at least `max_payload` + 32."):
        bits = [int(bit) for bit in cells[0].split(",")]
        found |= dict(zip(bits, cells[1].split(", "), strict=True))
    assert found == {int(bit).bit_length() - 1: bit.name for bit in Capability}


@pytest.mark.parametrize("status", Status)
def test_statuses(status: Status) -> None:
    assert f"0x{status:02X} {status.name}" in FLAT


def test_identity_and_descriptor_tags() -> None:
    for enum, heading in ((IdentityTag, "## 5. "), (Tag, "not a reset.")):
        numbers: list[int] = []
        for cells in rows(heading):
            found = [int(number, 16) for number in re.findall(r"0x([0-9A-F]{2})", cells[0])]
            numbers += range(found[0], found[1] + 1) if " to " in cells[0] else found
        assert numbers == [int(tag) for tag in enum]


@pytest.mark.parametrize(
    ("heading", "enum"),
    [("Modes: ", Mode), ("Levels: ", Level), ("Names: ", SequenceId), ("Loops: ", LoopKind)],
)
def test_numbered_lists(heading: str, enum: type[IntEnum]) -> None:
    """The text counts them all, in words of its own."""
    text = FLAT.split(heading)[1].split(". ")[0]
    assert [int(number) for number in re.findall(r"(?:^|, )(\d+) ", text)] == [int(item) for item in enum]


def test_nak_reasons() -> None:
    text = FLAT.split("Reasons: ")[1].split(".")[0]
    assert re.findall(r"(\d) (\w+)", text)[: len(NakReason)] == [("1", "gap"), ("2", "damaged"), ("3", "no")]


def test_needs_are_those_of_the_table() -> None:
    named = {cells[0] for cells in rows("## 8. Operations")}
    used = {need.name for row in OPERATIONS.values() for need in type(row.needs) if need in row.needs}
    assert named == used


def test_the_frame_taken_apart_is_the_one_of_the_scenarios() -> None:
    block = SPEC.split("One frame byte by byte")[1].split("```")[1]
    hexes = re.findall(r"^(?:body|wire)? +((?:[0-9a-f]{2}(?: |$))+)", block, re.MULTILINE)
    parts = [bytes.fromhex(digits) for digits in hexes]
    joined = b"".join(parts)
    frames = {step["hex"] for scenario in _book()["scenarios"] for step in scenario["steps"]}
    at = joined.index(bytes.fromhex("0323010320"))
    assert joined[at:].hex() in frames
    assert cobs.decode(joined[at:-1]) == joined[:at]
