"""From the chips of a board back to its files, and what keeps that from being done."""

import hashlib
from collections.abc import Callable

import pytest

from daemon.boards.demo_images import tern8_rom, tern16_bin
from daemon.boards.plan import BoardPlan, plan_board
from daemon.boards.reading import BoardRecipe, read_board
from daemon.boards.reassemble import ReadChip, reassemble
from daemon.catalogue.loader import Catalogue
from daemon.errors import BenchError, Code
from daemon.images import Image, Range

Demo = Callable[[str], BoardRecipe]


def read_chips(plan: BoardPlan) -> dict[str, ReadChip]:
    return {chip.position: ReadChip(chip.content.data, chip.part_id) for chip in plan.chips}


def refused(call: Callable[[], object], code: Code = Code.BOARD_REASSEMBLY) -> BenchError:
    with pytest.raises(BenchError) as caught:
        call()
    assert caught.value.code is code
    assert caught.value.hint
    return caught.value


def test_both_chips_give_the_file_back(
    plan_demo: Callable[..., BoardPlan], demo: Demo, catalogue: Catalogue
) -> None:
    chips = read_chips(plan_demo("tern-16"))
    restored = reassemble(demo("tern-16"), chips, catalogue)["firmware"]
    assert restored.data == tern16_bin()
    assert restored.missing == ()


def test_one_chip_gives_its_half(
    plan_demo: Callable[..., BoardPlan], demo: Demo, catalogue: Catalogue
) -> None:
    chips = read_chips(plan_demo("tern-16"))
    del chips["U11"]
    restored = reassemble(demo("tern-16"), chips, catalogue)["firmware"]
    assert restored.data[::2] == tern16_bin()[::2]
    assert restored.missing[0] == Range(1, 2)


def test_a_header_comes_from_an_older_release(
    plan_demo: Callable[..., BoardPlan], demo: Demo, catalogue: Catalogue
) -> None:
    chips = read_chips(plan_demo("tern-8"))
    restored = reassemble(demo("tern-8"), chips, catalogue)["release"]
    assert restored.missing == (Range(13, 128),)
    assert restored.data[128:] == tern8_rom()[128:]
    assert restored.data[:13] == b"SKERRY TERN-8"
    older = tern8_rom()[:128] + bytes(len(tern8_rom()) - 128)
    whole = reassemble(demo("tern-8"), chips, catalogue, known={"release": older})["release"]
    assert whole.data == tern8_rom()
    assert whole.missing == ()


TEXT = """name = "Everything"
[sources.rom]
file = "rom.bin"
SIZE
[sources.low]
from = "rom"
steps = [{ do = "slice", length_bytes = 0x1000 }]
[sources.high]
from = "rom"
steps = [{ do = "slice", start_bytes = 0x1000 }, { do = "swap-bytes" }]
[[positions]]
label = "U1"
made_for = "M27C64A"
access_ns = 300
source = "high"
steps = [
  { do = "join", sources = ["low"] },
  { do = "patch", offset_bytes = 4, write = "XY", was = "0x01 02" },
  { do = "checksum", kind = "sum-16", offset_bytes = 0x1FFE },
]
[[positions]]
label = "U2"
made_for = "M27C64A"
pins = { 26 = "open" }
parts = ["M27128A"]
access_ns = 300
source = "low"
steps = [{ do = "repeat", to_bytes = 0x2000 }]
shares_with = ["U1"]
"""
ROM = hashlib.shake_256(b"everything").digest(0x1000) + b"\x00\x01\x02\x03\x02\x01" + bytes(range(250)) * 17
FILE = ROM[:0x2000]


def everything(size: str = "size_bytes = 0x2000") -> BoardRecipe:
    return read_board("everything", TEXT.replace("SIZE", size))


@pytest.fixture
def chips(catalogue: Catalogue) -> dict[str, ReadChip]:
    return read_chips(plan_board(everything(), {"rom": Image.raw(FILE)}, catalogue))


def test_steps_of_all_kinds_are_undone(chips: dict[str, ReadChip], catalogue: Catalogue) -> None:
    restored = reassemble(everything(), chips, catalogue)["rom"]
    # The checksum's two bytes end U1 but stand in U2 as well, which has them as they were.
    assert restored.missing == ()
    assert restored.data == FILE
    alone = reassemble(everything(), {"U1": chips["U1"]}, catalogue)["rom"]
    assert alone.missing == (Range(0xFFE, 0x1000),)


def test_the_part_can_be_told_by_its_size(chips: dict[str, ReadChip], catalogue: Catalogue) -> None:
    unnamed = {label: ReadChip(chip.data) for label, chip in chips.items()}
    assert reassemble(everything(), unnamed, catalogue)["rom"].data == FILE
    window = {"U2": ReadChip(chips["U2"].data[:0x2000])}
    assert reassemble(everything(), window, catalogue)["rom"].data[:0x1000] == FILE[:0x1000]
    error = refused(lambda: reassemble(everything(), {"U2": ReadChip(bytes(100))}, catalogue))
    assert "100 bytes were read" in error.message
    assert "8,192 bytes" in error.hint
    wrong = {"U1": ReadChip(chips["U1"].data, "M27C512")}
    refused(lambda: reassemble(everything(), wrong, catalogue))


def spoilt(chips: dict[str, ReadChip], label: str, at: int) -> dict[str, ReadChip]:
    data = bytearray(chips[label].data)
    data[at] ^= 0x40
    return {**chips, label: ReadChip(bytes(data), chips[label].part)}


def test_chips_that_disagree_are_refused(chips: dict[str, ReadChip], catalogue: Catalogue) -> None:
    # U1 holds the low half from 0x1000 on, U2 holds it everywhere.
    error = refused(lambda: reassemble(everything(), spoilt(chips, "U1", 0x1010), catalogue))
    assert "U2 and U1, in rom, disagree at 0x10" in error.message
    assert f"{FILE[0x10] ^ 0x40:02X}" in error.message
    error = refused(lambda: reassemble(everything(), spoilt(chips, "U2", 0x10), catalogue))
    assert "the copies in the chip of U2 disagree" in error.message


def test_sizes_must_be_known(chips: dict[str, ReadChip], catalogue: Catalogue) -> None:
    unsized = everything(size="")
    error = refused(lambda: reassemble(unsized, chips, catalogue))
    assert "rom.bin" in error.message
    assert error.field == "sizes.rom"
    assert reassemble(unsized, chips, catalogue, sizes={"rom": 0x2000})["rom"].data == FILE
    assert reassemble(unsized, chips, catalogue, known={"rom": FILE})["rom"].data == FILE
    error = refused(lambda: reassemble(unsized, chips, catalogue, sizes={"rom": 0x1800}))
    assert "6,144 bytes for U1" in error.message
    refused(lambda: reassemble(unsized, chips, catalogue, sizes={"rom": 0x1801}), Code.RECIPE_STEP)


def test_unknown_positions_are_named(chips: dict[str, ReadChip], catalogue: Catalogue) -> None:
    error = refused(lambda: reassemble(everything(), {"U9": chips["U1"]}, catalogue))
    assert "U1, U2" in error.hint
