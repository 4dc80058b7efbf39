"""Plans that are refused, each with what would do, and effort that is allowed."""

import hashlib

import pytest

from daemon.boards.plan import BoardPlan
from daemon.errors import Code
from daemon.images import Image, Segment
from tests.daemon.boards.one_chip_board import HALF, ROM, Planner, contents, refused

# Refusals

TWO = """name = "Regions"
[sources.rom]
file = "rom.bin"
SOURCE
[[positions]]
label = "U1"
made_for = "M27C256B"
access_ns = 200
source = "rom"
steps = [FIRST]
[[positions]]
label = "U2"
made_for = "M27C256B"
access_ns = 200
source = "rom"
steps = [SECOND]
MORE
"""


LOWER = '{ do = "slice", length_bytes = 0x8000 }'


UPPER = '{ do = "slice", start_bytes = 0x8000, length_bytes = 0x8000 }'


def regions(
    plan_text: Planner,
    size: int | Image = 0x10000,
    *,
    source: str = "",
    first: str = LOWER,
    second: str = UPPER,
    more: str = "",
) -> BoardPlan:
    text = TWO.replace("SOURCE", source).replace("FIRST", first).replace("SECOND", second)
    file = size if isinstance(size, Image) else hashlib.shake_256(b"regions").digest(size)
    return plan_text(text.replace("MORE", more), {"rom": file})


def test_all_bytes_accounted_for(plan_text: Planner) -> None:
    made = contents(regions(plan_text))
    assert made["U1"] + made["U2"] == hashlib.shake_256(b"regions").digest(0x10000)


def test_leftovers_are_refused_unless_told(plan_text: Planner) -> None:
    error = refused(Code.BOARD_COVERAGE, lambda: regions(plan_text, 0x10004))
    assert "line 2, sources.rom: 4 bytes of rom go in no chip: 0x10000 to 0x10003" in error.message
    assert "unused" in error.hint
    regions(plan_text, 0x10004, source='unused = "rest"')
    regions(plan_text, 0x10004, source='unused = [{ start_bytes = 0x10000, length_bytes = 4, why = "tail" }]')
    regions(
        plan_text,
        0x10004,
        source='steps = [{ do = "skip-header", length_bytes = 4 }]',
    )
    error = refused(
        Code.BOARD_COVERAGE,
        lambda: regions(plan_text, 0x10004, source="unused = [{ start_bytes = 0x10001, length_bytes = 3 }]"),
    )
    assert "1 bytes of rom go in no chip: 0x10000 to 0x10000" in error.message


def test_regions_that_are_not_unused_are_refused(plan_text: Planner) -> None:
    region = "unused = [{ start_bytes = 0xFFFE, length_bytes = 3 }]"
    error = refused(Code.BOARD_COVERAGE, lambda: regions(plan_text, source=region))
    problems = "\n".join(error.details["problems"])
    assert "line 4, sources.rom.unused[0]: ends at 0x10000, and rom has 65,536 bytes" in problems
    assert "says that rom 0xfffe to 0xffff goes nowhere, and a position takes it" in problems


def test_overlaps_are_refused_unless_told(plan_text: Planner) -> None:
    second = '{ do = "slice", start_bytes = 0x7000, length_bytes = 0x8000 }'
    error = refused(Code.BOARD_COVERAGE, lambda: regions(plan_text, 0xF000, second=second))
    assert "line 11, positions[1]: U2 and U1 both take rom 0x7000 to 0x7fff" in error.message
    regions(plan_text, 0xF000, second=second, more='shares_with = ["U1"]')


def test_gaps_are_refused_unless_told(plan_text: Planner) -> None:
    short = '{ do = "slice", start_bytes = 0x8000 }'
    error = refused(Code.BOARD_COVERAGE, lambda: regions(plan_text, 0xC000, second=short))
    assert "positions[1]: U2 reads 32,768 bytes and the steps leave 16,384" in error.message
    assert "to_bytes = 0x8000" in error.message
    regions(plan_text, 0xC000, second=short + ', { do = "fill", to_bytes = 0x8000 }')
    regions(plan_text, 0xC000, second=short + ', { do = "repeat", to_bytes = 0x8000 }')
    error = refused(Code.BOARD_COVERAGE, lambda: regions(plan_text, 0x11000, second=short))
    assert "slice off 4,096 bytes" in error.message


def test_holes_of_a_file_are_gaps(plan_text: Planner) -> None:
    holed = Image.of([Segment(0, bytes(0x9000)), Segment(0xA000, bytes(0x6000))])
    error = refused(Code.BOARD_COVERAGE, lambda: regions(plan_text, holed))
    assert "U2 has no content at 0x1000 to 0x1fff, where the file has a hole" in error.message
    made = contents(regions(plan_text, holed, second=UPPER + ', { do = "fill", value = 0xEA }'))
    assert made["U2"][0x1000:0x2000] == b"\xea" * 0x1000


def test_everything_wrong_is_told_at_once(plan_text: Planner) -> None:
    error = refused(Code.BOARD_COVERAGE, lambda: regions(plan_text, 0x20000, second=LOWER))
    assert len(error.details["problems"]) == 2
    assert "(and 1 more)" in error.message


def test_steps_that_do_not_suit_name_line_position_and_step(plan_text: Planner) -> None:
    error = refused(
        Code.RECIPE_STEP, lambda: regions(plan_text, 0xFFFF, second='{ do = "split", lane = "odd" }')
    )
    assert error.message == (
        "line 16, position U2, step 1 (split): 65,535 bytes cannot be split in 2 ways: that is an odd number"
    )
    assert error.hint.startswith("65,534 or 65,536 bytes would be accepted.")
    error = refused(
        Code.RECIPE_STEP,
        lambda: regions(plan_text, source='steps = [{ do = "skip-header", length_bytes = 0x10000 }]'),
    )
    assert error.message.startswith("line 4, source rom, step 1 (skip-header): a header of 65,536 bytes")


def test_files_that_are_missing_unknown_or_of_another_size(plan_text: Planner) -> None:
    error = refused(Code.BOARD_SOURCE, lambda: plan_text(HALF.replace("PIN", "VCC"), {}))
    assert "line 3, source rom: its file (rom.bin) is not given" in error.message
    text = HALF.replace("PIN", "VCC")
    error = refused(Code.BOARD_SOURCE, lambda: plan_text(text, {"rom": ROM, "ram": b"x"}))
    assert 'takes no file for "ram"; did you mean rom?' in error.message
    sized = text.replace('"rom.bin"', '"rom.bin"\nsize_bytes = 0x7F80')
    error = refused(Code.BOARD_SOURCE, lambda: plan_text(sized, {"rom": ROM}))
    assert "line 4, source rom: the file has 32,768 bytes, and the recipe is for 32,640" in error.message
    assert "128 bytes too long" in error.hint


@pytest.mark.parametrize(
    ("old", "new", "code", "said"),
    [
        ('"27C256"', '"27C265"', Code.PART_UNKNOWN, "line 6, position U1: there is no part"),
        ('"27C256"', '"28C64"', Code.PART_AMBIGUOUS, "stands for parts with different pins"),
        ('["M27C512"]', '["M27C512", "27CX"]', Code.PART_UNKNOWN, "line 8, position U1: there is no part"),
        ('["M27C512"]', '["27Q*"]', Code.PART_UNKNOWN, 'no part matches "27Q*"'),
        ('["M27C512"]', '["27C1024"]', Code.BOARD_PARTS, "The board reads bytes there"),
        ('["M27C512"]', '["27C128"]', Code.BOARD_PARTS, "16,384 bytes"),
        ("access_ns = 200", "access_ns = 20", Code.BOARD_PARTS, "Too slow"),
        ("access_ns = 200", "access_ns = 200\nvcc_v = 3.3", Code.BOARD_PARTS, "The board supplies"),
        ("access_ns = 200", "access_ns = 200\nwidth_bits = 16", Code.BOARD_PARTS, "width_bits"),
        ("access_ns = 200", "access_ns = 200\nsize_bytes = 0x10000", Code.BOARD_PARTS, "a board cannot read"),
        ("{ 1 =", "{ 29 =", Code.BOARD_PARTS, "not 29"),
        ('["M27C512"]', '["mask-23256"]', Code.BOARD_PARTS, "cannot be programmed"),
        ('["M27C512"]', '["AT28C256"]', Code.BOARD_PARTS, "Lift pin 27"),
    ],
)
def test_parts_that_cannot_be(plan_text: Planner, old: str, new: str, code: Code, said: str) -> None:
    text = HALF.replace("PIN", "VCC")
    assert old in text
    error = refused(code, lambda: plan_text(text.replace(old, new), {"rom": ROM}))
    assert said in error.message + error.hint + str(error.field)
    assert error.message.startswith("line ")


def test_effort_that_is_allowed_is_told(plan_text: Planner) -> None:
    text = HALF.replace("PIN", "VCC").replace("M27C512", "AT28C256").replace("200", '200\neffort = "adapter"')
    chip = plan_text(text, {"rom": ROM}).chips[0]
    assert any("Lift pin 27" in each for each in chip.to_do)
    assert chip.content.data == ROM


def test_families_and_patterns_of_parts(plan_text: Planner) -> None:
    for parts in ('"27C512"', '"27?512", "*27c512*"', '"winbond*27c512"'):
        text = HALF.replace("PIN", "VCC").replace('"M27C512"', parts.replace('"27?512", ', ""))
        part_id = plan_text(text, {"rom": ROM}).chips[0].part_id
        assert part_id.endswith(("27c512", "27c512r", "27c512b", "27c512a"))


@pytest.mark.parametrize("copies", [0, 101])
def test_copies_have_a_limit(plan_text: Planner, copies: int) -> None:
    text = HALF.replace("PIN", "VCC")
    error = refused(Code.BOARD_PARTS, lambda: plan_text(text, {"rom": ROM}, copies=copies))
    assert "1 to 100" in error.hint


def test_wide_parts_read_by_bytes(plan_text: Planner) -> None:
    # A 27C400 with /BYTE low is a byte-wide chip whose lowest address line is A-1 (chip facts, section 5).
    text = """name = "Bytes"
[sources.rom]
file = "rom.bin"
[[positions]]
label = "U1"
made_for = "AT27C400"
width_bits = 8
access_ns = 200
source = "rom"
"""
    file = hashlib.shake_256(b"bytes").digest(0x80000)
    assert contents(plan_text(text, {"rom": file}))["U1"] == file
