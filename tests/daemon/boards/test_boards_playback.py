"""Plans judged by boards that run: chips made by a plan, read over the board's wiring, give the file back.

The wiring of random boards is written down here pin by pin from published pinouts, and the recipe from the
same draw, each in its own way: they share no code.
"""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.boards.demo_images import DEMO_FILES
from daemon.boards.drawer import ChipState, OnHand
from daemon.boards.plan import BoardPlan, plan_board
from daemon.boards.reading import read_board
from daemon.boards.reassemble import ReadChip, reassemble
from daemon.catalogue.loader import Catalogue
from daemon.images import Image
from simulator.board import PlayedBoard
from simulator.board_wiring import BoardWiring, demo_wiring
from simulator.chip.chip import Chip

CATALOGUE = Catalogue()


def chips_of(plan: BoardPlan, copy: int = 0, slow: dict[str, float] | None = None) -> dict[str, Chip]:
    """Make the chips that a plan asks for, each of the fastest grade unless told."""
    made: dict[str, Chip] = {}
    for planned in plan.chips:
        if planned.copy == copy:
            part = CATALOGUE.get(planned.part_id)
            access_ns = (slow or {}).get(planned.position, min(part.access_ns))
            chip = Chip(part, seed=len(made), access_ns=access_ns)
            kind = "<u2" if part.word_bytes == 2 else np.uint8
            chip.program_at_maker(np.frombuffer(planned.content.data, dtype=kind).astype(np.uint16))
            made[planned.position] = chip
    return made


def demo_file(board_id: str) -> bytes:
    """What the board's buses see of the makers' file: all but a header."""
    (make,) = DEMO_FILES[board_id].values()
    return make()[128 if board_id == "tern-8" else 0 :]


@pytest.mark.parametrize("board_id", list(DEMO_FILES))
def test_demo_boards_play_their_file(plan_demo: Callable[..., BoardPlan], board_id: str) -> None:
    played = PlayedBoard(demo_wiring(board_id), chips_of(plan_demo(board_id)))
    assert played.rebuild() == demo_file(board_id)
    assert played.faults == []


def test_larger_parts_from_the_drawer_play_too(plan_demo: Callable[..., BoardPlan]) -> None:
    drawer = (
        OnHand(part="M27C512", access_ns=100),
        OnHand(part="M2732A", access_ns=200, state=ChipState.BLANK),
    )
    plan = plan_demo("tern-8", on_hand=drawer)
    assert {chip.position: chip.part_id for chip in plan.chips} == {"U4": "st-m27c512", "U9": "st-m2732a"}
    played = PlayedBoard(demo_wiring("tern-8"), chips_of(plan))
    assert played.rebuild() == demo_file("tern-8")
    assert played.faults == []


@pytest.mark.parametrize(
    ("board_id", "label"), [("tern-8", "U4"), ("tern-16", "U11"), ("tern-16-wide", "U12")]
)
def test_slow_dies_fail_there(plan_demo: Callable[..., BoardPlan], board_id: str, label: str) -> None:
    played = PlayedBoard(demo_wiring(board_id), chips_of(plan_demo(board_id), slow={label: 350}))
    assert played.rebuild() != demo_file(board_id)
    assert [fault.split(":")[0] for fault in played.faults] == [f"{label} is too slow"]


# Random boards

# Pin 1 first (chip facts, section 5). What is no address or data line: supplies, select, read.
PINOUTS = {
    "M2716": "A7 A6 A5 A4 A3 A2 A1 A0 D0 D1 D2 GND D3 D4 D5 D6 D7 /SEL A10 /RD VCC A9 A8 VCC",
    "M2732A": "A7 A6 A5 A4 A3 A2 A1 A0 D0 D1 D2 GND D3 D4 D5 D6 D7 /SEL A10 /RD A11 A9 A8 VCC",
    "M27C64A": "VCC A12 A7 A6 A5 A4 A3 A2 A1 A0 D0 D1 D2 GND"
    " D3 D4 D5 D6 D7 /SEL A10 /RD A11 A9 A8 OPEN VCC VCC",
    "Am27C1024": "VCC /SEL D15 D14 D13 D12 D11 D10 D9 D8 GND D7 D6 D5 D4 D3 D2 D1 D0 /RD"
    " A0 A1 A2 A3 A4 A5 A6 A7 A8 GND A9 A10 A11 A12 A13 A14 A15 OPEN VCC VCC",
}
SIZES = {"M2716": 0x800, "M2732A": 0x1000, "M27C64A": 0x2000, "Am27C1024": 0x20000}


@dataclass
class Drawn:
    """A board being drawn: its file, its recipe and its wiring."""

    file: bytes = b""
    recipe: str = 'name = "Drawn"\n'
    wiring: str = 'name = "Drawn"\nvcc_v = 5.0\n'
    image: list[str] = field(default_factory=list)
    seen: bytes = b""
    """What the buses should show, in the order of the image."""


def content(draw: st.DrawFn, size: int) -> bytes:
    return hashlib.shake_256(b"%d" % draw(st.integers(0, 1 << 30))).digest(size)


def pins_of(part: str, lanes: int, data_shift: int, lines: list[int], bits: list[int]) -> str:
    """Write a position's nets: chip line i on bus line `lines[i]`, chip bit i on bus bit `bits[i]`."""
    nets = []
    for pin in PINOUTS[part].split():
        if pin[0] == "A":
            pin = f"A{lines[int(pin[1:])] + lanes}"
        elif pin[0] == "D":
            pin = f"D{bits[int(pin[1:])] + data_shift}"
        nets.append(pin)
    return " ".join(nets)


def line_steps(lines: list[int], bits: list[int], word_bytes: int) -> str:
    steps = f'  {{ do = "reorder-address-lines", order = {lines}, word_bytes = {word_bytes} }},\n'
    return steps + f'  {{ do = "reorder-data-lines", order = {bits}, word_bytes = {word_bytes} }},\n'


def crossed_pins(part: str, lines: list[int], bits: list[int]) -> str:
    """Tell a recipe about crossed lines by pins instead of steps."""
    told = []
    for number, pin in enumerate(PINOUTS[part].split(), 1):
        if pin[0] == "A":
            told.append(f'{number} = "A{lines[int(pin[1:])]}"')
        elif pin[0] == "D":
            told.append(f'{number} = "D{bits[int(pin[1:])]}"')
        elif pin == "VCC":
            told.append(f'{number} = "VCC"')
    return f"pins = {{ {', '.join(told)} }}\n"


def straight_pins(part: str) -> str:
    told = [f'{number} = "VCC"' for number, pin in enumerate(PINOUTS[part].split(), 1) if pin == "VCC"]
    return f"pins = {{ {', '.join(told)} }}\n"


def position(draw: st.DrawFn, label: str, part: str, lanes: int, shift: int, steps: str) -> tuple[str, str]:
    """Draw one position: returns its table for the recipe and its pins for the wiring."""
    word_bytes = 2 if part == "Am27C1024" else 1
    count = (SIZES[part] // word_bytes - 1).bit_length()
    lines, bits = [*range(count)], [*range(8 * word_bytes)]
    how = draw(st.sampled_from(["straight", "steps", "pins"]))
    if how != "straight":
        lines = draw(st.permutations(lines))
        bits = draw(st.permutations(bits))
    text = f'[[positions]]\nlabel = "{label}"\nmade_for = "{part}"\naccess_ns = 500\nsource = "file"\n'
    text += crossed_pins(part, lines, bits) if how == "pins" else straight_pins(part)
    more = line_steps(lines, bits, word_bytes) if how == "steps" else ""
    text += f"steps = [\n{steps}{more}]\n"
    return text, pins_of(part, lanes, shift, lines, bits)


@st.composite
def narrow_boards(draw: st.DrawFn) -> Drawn:
    """Byte-wide: one to three chips one after another in the address space, in any order in the file."""
    parts = draw(st.lists(st.sampled_from(["M2716", "M2732A", "M27C64A"]), min_size=1, max_size=3))
    drawn = Drawn()
    drawn.wiring += "[buses.cpu]\naddress_lines = 16\ndata_lines = 8\naccess_ns = 500\n"
    pieces = [content(draw, SIZES[part]) for part in parts]
    order = draw(st.permutations(range(len(parts))))
    starts = {}
    for index in order:
        starts[index] = len(drawn.file)
        drawn.file += pieces[index]
    for index, part in enumerate(parts):
        base = 0x2000 * index
        steps = f'  {{ do = "slice", start_bytes = {starts[index]}, length_bytes = {SIZES[part]} }},\n'
        text, pins = position(draw, f"U{index}", part, 0, 0, steps)
        drawn.recipe += text
        mask = 0x10000 - SIZES[part]
        drawn.wiring += (
            f'[[sockets]]\nlabel = "U{index}"\nbus = "cpu"\nselect = {{ mask = {mask}, match = {base} }}\n'
            f'pins = "{pins}"\n'
        )
    for index in order:
        first = 0x2000 * index
        drawn.image.append(
            f'[[image]]\nbus = "cpu"\nfirst = {first}\nlast = {first + len(pieces[index]) - 1}\n'
        )
    return drawn


@st.composite
def paired_boards(draw: st.DrawFn) -> Drawn:
    """16 bits wide, from two byte-wide chips, of either byte order."""
    part, order = (
        draw(st.sampled_from(["M2716", "M2732A", "M27C64A"])),
        draw(st.sampled_from(["big", "little"])),
    )
    drawn = Drawn(content(draw, 2 * SIZES[part]))
    drawn.wiring += _wide_bus(order)
    for lane, name in enumerate(("even", "odd")):
        high = (lane == 0) == (order == "big")
        steps = f'  {{ do = "split", lane = "{name}" }},\n'
        text, pins = position(draw, f"U{lane}", part, 1, 8 if high else 0, steps)
        drawn.recipe += text
        drawn.wiring += f'[[sockets]]\nlabel = "U{lane}"\nbus = "cpu"\npins = "{pins}"\n'
    drawn.image.append(f'[[image]]\nbus = "cpu"\nfirst = 0\nlast = {len(drawn.file) - 1}\n')
    return drawn


@st.composite
def wide_boards(draw: st.DrawFn) -> Drawn:
    """16 bits wide, from one chip, of either byte order."""
    order = draw(st.sampled_from(["big", "little"]))
    drawn = Drawn(content(draw, SIZES["Am27C1024"]))
    drawn.wiring += _wide_bus(order)
    steps = '  { do = "swap-bytes" },\n' if order == "big" else ""
    text, pins = position(draw, "U0", "Am27C1024", 1, 0, steps)
    drawn.recipe += text
    drawn.wiring += f'[[sockets]]\nlabel = "U0"\nbus = "cpu"\npins = "{pins}"\n'
    drawn.image.append('[[image]]\nbus = "cpu"\nfirst = 0\nlast = 0x1FFFF\n')
    return drawn


def _wide_bus(order: str) -> str:
    return f'[buses.cpu]\naddress_lines = 18\ndata_lines = 16\nbyte_order = "{order}"\naccess_ns = 500\n'


DRAWER = (
    OnHand(part="M2732A", access_ns=200, state=ChipState.BLANK, count=2),
    OnHand(part="M27C64A", access_ns=150, state=ChipState.BLANK),
    OnHand(part="M27128A", access_ns=200, state=ChipState.USED, count=2),
    OnHand(part="M27C512", access_ns=100),
    OnHand(part="Am27C2048", access_ns=100),
)


@pytest.mark.no_cover
@pytest.mark.slow
@settings(max_examples=40)
@given(
    drawn=st.one_of(narrow_boards(), paired_boards(), wide_boards()),
    header=st.integers(0, 300),
    drawer=st.sets(st.sampled_from(range(len(DRAWER)))),
)
def test_plan_then_play_back_is_identity(drawn: Drawn, header: int, drawer: set[int]) -> None:
    skip = f'steps = [{{ do = "skip-header", length_bytes = {header} }}]\n' if header else ""
    file = hashlib.shake_256(b"header").digest(header) + drawn.file
    source = f'[sources.file]\nfile = "drawn.bin"\nsize_bytes = {len(file)}\n{skip}'
    recipe = read_board("drawn", drawn.recipe.replace('"Drawn"\n', f'"Drawn"\n{source}', 1))
    on_hand = [DRAWER[index] for index in sorted(drawer)]
    plan = plan_board(recipe, {"file": Image.raw(file)}, CATALOGUE, on_hand)
    played = PlayedBoard(BoardWiring.from_toml(drawn.wiring + "".join(drawn.image)), chips_of(plan))
    assert played.rebuild() == drawn.file
    assert played.faults == []

    read = {chip.position: ReadChip(chip.content.data, chip.part_id) for chip in plan.chips}
    restored = reassemble(recipe, read, CATALOGUE)["file"]
    assert restored.data[header:] == drawn.file
    assert [(each.start_bytes, each.end_bytes) for each in restored.missing] == (
        [(0, header)] if header else []
    )
