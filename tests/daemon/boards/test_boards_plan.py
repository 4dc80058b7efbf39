"""Plans: exact contents against binutils and plain Python, choices, purchases, refusals."""

import hashlib
import zlib
from typing import Any

import pytest

from daemon.boards.demo_images import tern8_rom, tern16_bin
from daemon.boards.drawer import ChipState, OnHand
from daemon.boards.plan import BoardPlan
from daemon.errors import Code
from daemon.jobs.request import JobRequest
from tests.daemon.boards.one_chip_board import HALF, ROM, Planner, contents, refused

# The demo boards. Their contents once more, by plain slices; test_images_steps compares with objcopy.


def test_tern_8(plan_demo: Planner) -> None:
    plan = plan_demo("tern-8")
    body = tern8_rom()[128:]
    made = contents(plan)
    assert made["U4"] == body[:0x8000]
    shapes = body[0x8000:]
    assert made["U9"] == bytes(shapes[8 * (chip & 0xFF) + (chip >> 8)] for chip in range(2048))
    u4 = plan.positions[0]
    assert [trace.words for trace in u4.steps] == [
        "Skip a header of 128 bytes that begins with 'SKERRY TERN-8'.",
        "Take 0x0 to 0x7fff, 32,768 bytes.",
    ]
    assert [row.words for row in u4.map.rows] == ["0x00000 to 0x07fff: release 0x00080 to 0x0807f"]


def test_tern_16_in_two_chips_or_one(plan_demo: Planner) -> None:
    file = tern16_bin()
    made = contents(plan_demo("tern-16"))
    assert made == {"U10": file[::2], "U11": file[1::2]}
    wide = contents(plan_demo("tern-16-wide"))["U12"]
    assert wide[::2] == file[1::2]
    assert wide[1::2] == file[::2]


def test_figures_of_a_chip(plan_demo: Planner) -> None:
    chip = plan_demo("tern-16").chips[0]
    data = chip.content.data
    assert chip.content.sha256 == hashlib.sha256(data).hexdigest()
    assert chip.content.crc32 == zlib.crc32(data)
    assert chip.content.byte_sum_16 == sum(data) % 65536
    assert isinstance(chip.job, JobRequest)
    assert chip.job.image == chip.content.sha256
    assert chip.job.part == chip.part_id
    # 100 us a byte, the blank ones not counted: the pulse of the data sheet (chip facts, M27C512).
    assert chip.part_id == "st-m27c512"
    used = len(data) - data.count(0xFF)
    assert chip.estimated_s == pytest.approx(used * 100e-6)


@pytest.mark.parametrize(
    ("pin", "expected"),
    [
        ("VCC", b"\xff" * 0x8000 + ROM),
        ("high", b"\xff" * 0x8000 + ROM),
        ("GND", ROM + b"\xff" * 0x8000),
        ("low", ROM + b"\xff" * 0x8000),
        ("either", ROM + ROM),
    ],
)
def test_content_lies_where_the_board_looks(plan_text: Planner, pin: str, expected: bytes) -> None:
    # Pin 1 of a 27C512 is its A15 (chip facts, section 5).
    chip = plan_text(HALF.replace("PIN", pin), {"rom": ROM}).chips[0]
    assert chip.content.data == expected
    assert bool(chip.arranged) == (expected[:0x8000] == b"\xff" * 0x8000 or expected == ROM * 2)


def test_lines_out_of_order_can_be_told_by_pins(plan_text: Planner) -> None:
    # Pins 10 and 9 of a 27C256 are A0 and A1, 11 and 12 D0 and D1 (chip facts, section 5).
    text = HALF.replace('{ 1 = "PIN" }', '{ 1 = "VCC", 10 = "A1", 9 = "A0", 11 = "D1", 12 = "D0" }')
    made = contents(plan_text(text.replace("M27C512", "M27C256B"), {"rom": ROM}))["U1"]
    for at in range(0x8000):
        byte = ROM[at & ~3 | (at & 1) << 1 | (at & 2) >> 1]
        assert made[at] == byte & ~3 | (byte & 1) << 1 | (byte & 2) >> 1


# Parts on hand

UV, OTP, EE, FLASH = "st-m27c512", "atmel-at27c512r", "winbond-w27c512", "sst-39sf040"


PAIR = """name = "Two chips"
[sources.rom]
file = "rom.bin"
[[positions]]
label = "U1"
made_for = "M27C512"
access_ns = 200
source = "rom"
steps = [{ do = "split", lane = "even" }]
[[positions]]
label = "U2"
made_for = "M27C512"
PARTS
access_ns = 80
source = "rom"
steps = [{ do = "split", lane = "odd" }]
"""


FILE = hashlib.shake_256(b"file").digest(0x20000)


def pair(plan_text: Planner, *on_hand: OnHand, parts: str = "", **options: Any) -> BoardPlan:
    return plan_text(PAIR.replace("PARTS", parts), {"rom": FILE}, on_hand=on_hand, **options)


def chosen(plan: BoardPlan) -> dict[str, int | None]:
    return {chip.position: chip.item for chip in plan.chips if chip.copy == 0}


def test_a_fast_chip_is_kept_for_the_position_that_needs_it(plan_text: Planner) -> None:
    fast = OnHand(part=UV, access_ns=70, state=ChipState.BLANK)
    slow = OnHand(part=UV, access_ns=100, state=ChipState.BLANK)
    assert chosen(pair(plan_text, fast, slow)) == {"U1": 1, "U2": 0}
    assert chosen(pair(plan_text, slow, fast)) == {"U1": 0, "U2": 1}


def test_what_is_ready_is_taken_before_what_must_be_erased(plan_text: Planner) -> None:
    used = OnHand(part=UV, access_ns=70, state=ChipState.USED, count=2, label="tray")
    unknown = OnHand(part=UV, access_ns=70)
    electric = OnHand(part=EE, access_ns=70, state=ChipState.USED)
    blank = OnHand(part=UV, access_ns=70, state=ChipState.BLANK)
    assert set(chosen(pair(plan_text, used, unknown, electric, blank)).values()) == {2, 3}
    plan = pair(plan_text, used)
    assert [(each.count, each.dose_j_per_cm2, each.label) for each in plan.to_erase] == [(2, 15, "tray")]
    assert plan.to_erase[0].positions == ("U1", "U2")
    assert plan.to_buy == ()


def test_reasons_are_given(plan_text: Planner) -> None:
    spent = OnHand(part=OTP, state=ChipState.USED, label="box")
    slow = OnHand(part=UV, access_ns=100, state=ChipState.BLANK, label="bag")
    plan = pair(plan_text, spent, slow)
    u1, u2 = (position.chips[0] for position in plan.positions)
    assert u1.item == 1
    assert "bag" in u1.reason
    assert "100 ns is fast enough for 200 ns" in u1.reason
    assert u2.item is None
    assert any("box" in each and "one-time" in each for each in u2.rejected)
    assert any("bag" in each and "100 ns" in each and "80 ns" in each for each in u2.rejected)


def test_what_is_missing_is_to_be_bought(plan_text: Planner) -> None:
    plan = pair(plan_text, OnHand(part=UV, access_ns=70, state=ChipState.BLANK), copies=2)
    assert sum(each.count for each in plan.to_buy) == 3
    by_speed = {each.access_ns: each for each in plan.to_buy}
    assert by_speed[80.0].positions == ("U2",)
    assert UV in by_speed[80.0].part_ids
    assert len(plan.chips) == 4
    assert plan.estimated_s == pytest.approx(sum(chip.estimated_s for chip in plan.chips))


def test_chips_move_over_when_that_serves_more_positions(plan_text: Planner) -> None:
    only_uv = f'parts = ["{UV}"]'
    first, second = (
        OnHand(part=UV, access_ns=70, state=ChipState.BLANK),
        OnHand(part=EE, access_ns=70, state=ChipState.USED),
    )
    assert chosen(pair(plan_text, first, second, parts=only_uv)) == {"U1": 1, "U2": 0}


def test_electrical_erase_is_in_the_estimate(plan_text: Planner) -> None:
    electric = OnHand(part=EE, access_ns=70, state=ChipState.USED, count=2)
    blank = OnHand(part=EE, access_ns=70, state=ChipState.BLANK, count=2)
    # The chip erase of the W27C512 takes 100 ms (its catalogue entry; the datasheet's pulse).
    difference = pair(plan_text, electric).estimated_s - pair(plan_text, blank).estimated_s
    assert difference == pytest.approx(2 * 0.1)


def test_unknown_parts_on_hand_are_named(plan_text: Planner) -> None:
    error = refused(Code.PART_UNKNOWN, lambda: pair(plan_text, OnHand(part=UV), OnHand(part="27C9999")))
    assert error.field == "on_hand[1].part"


# Serial numbers


def test_each_copy_has_content_of_its_own(plan_text: Planner) -> None:
    step = 'steps = [{ do = "serial", offset_bytes = 0x10, length_bytes = 4, start = 7 }]\n'
    plan = plan_text(HALF.replace("PIN", "VCC").replace("M27C512", "M27C256B") + step, {"rom": ROM}, copies=3)
    serials = [contents(plan, copy)["U1"][0x10:0x14] for copy in range(3)]
    assert serials == [b"0007", b"0008", b"0009"]
    assert len({chip.content.sha256 for chip in plan.chips}) == 3
    assert contents(plan)["U1"][0x14:] == ROM[0x14:]


def test_serial_numbers_go_on_after_sets_that_were_made_before(plan_text: Planner) -> None:
    step = 'steps = [{ do = "serial", offset_bytes = 0x10, length_bytes = 4, start = 7 }]\n'
    text = HALF.replace("PIN", "VCC").replace("M27C512", "M27C256B") + step
    plan = plan_text(text, {"rom": ROM}, copies=2, first_copy=20)
    assert [contents(plan, copy)["U1"][0x10:0x14] for copy in range(2)] == [b"0027", b"0028"]


def test_each_copy_has_a_patch_of_its_own(plan_text: Planner) -> None:
    step = 'steps = [{ do = "patch-each", offset_bytes = 0x10, writes = ["0x02 01", "0x02 02"] }]\n'
    plan = plan_text(HALF.replace("PIN", "VCC").replace("M27C512", "M27C256B") + step, {"rom": ROM}, copies=2)
    assert [contents(plan, copy)["U1"][0x10:0x12] for copy in range(2)] == [b"\2\1", b"\2\2"]
