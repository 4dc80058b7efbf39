"""A chip put where the judge says, with what it says done to it, is read by a board that knows nothing of it.

The board here is plain electricity: it drives every pin of the chip from the nets and the tasks, looks at the
pins that the chip's own mode table names, and takes the word from the data pins.
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.adapters.files import Adapters
from daemon.adapters.routes import routes_for
from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.catalogue.substitution.arrangement import HIGH, LOOSE, LOW, Arrangement
from daemon.catalogue.substitution.contacts import Route
from daemon.catalogue.substitution.judge import judge
from daemon.catalogue.substitution.nets import Carries, Net
from daemon.catalogue.substitution.placing import place, take
from daemon.catalogue.substitution.position import Position, position_for
from daemon.catalogue.substitution.verdict import StandIn, Verdict, Work
from daemon.catalogue.terms import Level, Mode

CATALOGUE = Catalogue()
PARTS = {part.id: part for part in CATALOGUE}
SMALL = [part for part in PARTS.values() if part.size_bytes <= 1 << 17]
ROUTES = list(routes_for(SMALL, Adapters()))
QUIET = settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.filter_too_much])


def bottom_justified(pin: int, own: int, position: Position) -> int | None:
    """JEDEC: the lower ends of both packages meet (chip_facts.toml, section 5)."""
    there = pin + (len(position.nets) - own) // 2
    return there if 1 <= there <= len(position.nets) else None


class Board:
    """A board reading one word at a time. `floats` says what open and unknown nets happen to be."""

    def __init__(
        self, found: StandIn, position: Position, route: Route | None, floats: Mapping[int, int]
    ) -> None:
        self.part, self.position, self.floats = found.part, position, floats
        self.route = route
        self.moved = {
            task.pin: task.to for task in found.tasks if task.work in (Work.TIE, Work.WIRE, Work.LIFT)
        }
        self.promised = {task.pin for task in found.tasks if task.work is Work.CHECK}

    def net_at(self, pin: int) -> Net | None:
        """What the chip pin is connected to once the work is done; None for a lifted pin."""
        if pin in self.moved:
            to = self.moved[pin]
            if isinstance(to, int):
                return self.position.nets[to - 1]
            return {"VCC": Net(Carries.VCC), "GND": Net(Carries.GROUND), "open": None}[str(to)]
        place: int | None = pin
        own = len(self.part.pins)
        if self.route:
            if pin in self.route.tied:
                return self.route.tied[pin]
            place = self.route.pins.get(pin)
            own = int("".join(filter(str.isdigit, self.route.plug)))
        there = place and bottom_justified(place, own, self.position)
        return self.position.nets[there - 1] if there else None

    def level(self, pin: int, address: int) -> int:
        net = self.net_at(pin)
        if net is None or net.carries in (Carries.OPEN, Carries.EITHER):
            return self.floats[pin]
        if net.carries is Carries.ADDRESS:
            assert net.line is not None
            index = net.line - self.position.first_line
            # Lines beyond those that the position needs carry whatever else the board does.
            return address >> index & 1 if net.line in self.position.lines else self.floats[pin]
        assert net.carries is not Carries.DATA, f"pin {pin} listens to a data line"
        high = (Carries.VCC, Carries.HIGH, Carries.WRITE_ENABLE, Carries.SELECT_HIGH)
        return int(net.carries in high)

    def supplied(self) -> None:
        for pin in self.part.vcc_pins:
            assert self.net_at(pin) == Net(Carries.VCC)
        for pin in self.part.ground_pins:
            assert self.net_at(pin) == Net(Carries.GROUND)

    def selected(self, address: int, by_bytes: bool) -> None:
        for pin, level in self.part.levels(Mode.READ).items():
            if pin in self.promised or self.part.unused(pin) is not None:
                continue
            if pin in self.part.address_pins + self.part.data_pins + self.part.vcc_pins:
                continue
            if "/BYTE" in self.part.signal_of(pin).split("|"):
                assert self.level(pin, address) == (0 if by_bytes else 1)
            elif level in (Level.LOW, Level.HIGH, Level.VCC):
                assert self.level(pin, address) == (level is not Level.LOW), self.part.signal_of(pin)

    def read(self, chip: bytes, address: int) -> int:
        by_bytes = self.part.width_bits > self.position.width_bits
        self.supplied()
        self.selected(address, by_bytes)
        lines = list(self.part.address_pins)
        if by_bytes:
            lines.insert(0, self.part.pin_number("A-1"))
        row = sum(self.level(pin, address) << bit for bit, pin in enumerate(lines))
        unit = self.position.width_bits // 8
        word = int.from_bytes(chip[row * unit : row * unit + unit], "little")
        seen = 0
        for bit, pin in enumerate(self.part.data_pins[: self.position.width_bits]):
            net = self.net_at(pin)
            assert net
            assert net.carries is Carries.DATA
            assert net.line is not None
            seen |= (word >> bit & 1) << net.line
        return seen


@st.composite
def boards(draw: st.DrawFn) -> Position:
    meant_for = draw(st.sampled_from(SMALL))
    words = draw(st.sampled_from([meant_for.words, meant_for.words // 2, meant_for.words // 4]))
    other = st.sampled_from(
        [Net(carries) for carries in Carries if carries not in (Carries.ADDRESS, Carries.DATA)]
    ) | st.builds(Net, st.just(Carries.ADDRESS), st.integers(0, 20))
    pins = st.integers(1, len(meant_for.pins))
    nets = draw(st.dictionaries(pins, other, max_size=draw(st.sampled_from([0, 0, 1, 3]))))
    return position_for(
        meant_for, words=words, nets=nets, writes=draw(st.booleans()),
        byte_mode=meant_for.has_byte_mode and draw(st.booleans()),
    )  # fmt: skip


def content_of(position: Position, seed: int) -> bytes:
    return np.random.default_rng(seed).bytes(position.size_bytes)


def reads_right(found: StandIn, position: Position, route: Route | None, data: st.DataObject) -> None:
    assert found.arrangement
    wanted = content_of(position, 1)
    chip = place(found.arrangement, wanted)
    assert len(chip) == found.part.size_bytes
    levels = st.lists(st.integers(0, 1), min_size=100, max_size=100)
    unit = position.width_bits // 8
    for _ in range(4):
        floats = dict(enumerate(data.draw(levels), 1))
        address = data.draw(st.integers(0, position.words - 1))
        board = Board(found, position, route, floats)
        expected = int.from_bytes(wanted[address * unit : address * unit + unit], "little")
        assert board.read(chip, address) == expected


@pytest.mark.no_cover
@QUIET
@given(boards(), st.sampled_from(SMALL), st.data())
def test_a_board_reads_back_what_it_should(position: Position, part: Part, data: st.DataObject) -> None:
    found = judge(part, position)
    if found.verdict is not Verdict.CANNOT:
        reads_right(found, position, None, data)


@pytest.mark.no_cover
@QUIET
@given(st.sampled_from(SMALL), st.data())
def test_likely_pairs_read_back(meant_for: Part, data: st.DataObject) -> None:
    """Pairs of equal width and similar packages, so that most are judged possible."""
    near = [
        part
        for part in SMALL
        if part.width_bits == meant_for.width_bits and part.size_bytes >= meant_for.size_bytes
    ]
    position = position_for(meant_for)
    found = judge(data.draw(st.sampled_from(near)), position)
    if found.verdict is not Verdict.CANNOT:
        reads_right(found, position, None, data)


@QUIET
@given(st.sampled_from(ROUTES), st.sampled_from(SMALL), st.data())
def test_a_board_reads_back_through_an_adapter(
    way: tuple[Part, Route], meant_for: Part, data: st.DataObject
) -> None:
    part, route = way
    position = position_for(meant_for)
    found = judge(part, position, route)
    if found.verdict is not Verdict.CANNOT:
        assert found.verdict is Verdict.ADAPTER
        reads_right(found, position, route, data)


@pytest.mark.parametrize(
    ("part", "meant_for", "adapter"),
    [
        ("atmel-at28hc256", "st-m27c256b", "28C256 in the place of a 27C256"),
        ("sst-39sf040", "st-m27c4001", "29F040 or 39SF040 in the place of a 27C040"),
        ("hitachi-hn27c301", "amd-am27c010", "27C301 in the place of a 27C010"),
        ("intel-2764", "mask-2364", "2764 in the place of a 2364"),
    ],
)
def test_adapters_made_for_boards_do_what_they_are_made_for(part: str, meant_for: str, adapter: str) -> None:
    (route,) = [way for chip, way in routes_for([PARTS[part]], Adapters()) if way.name == adapter]
    position = position_for(PARTS[meant_for])
    found = judge(PARTS[part], position, route)
    assert (found.verdict, found.adapter) == (Verdict.ADAPTER, adapter)
    assert found.arrangement
    assert found.arrangement.plain
    board = Board(found, position, route, dict.fromkeys(range(1, 101), 0))
    chip = content_of(position, 2)
    addresses = [0, 1, position.words - 1, *(1 << bit for bit in range(PARTS[part].address_bits))]
    assert [board.read(chip, address) for address in addresses] == [chip[address] for address in addresses]


@QUIET
@given(boards(), st.sampled_from(SMALL), st.integers(20, 500), st.integers(20, 500))
def test_a_slower_board_never_does_worse(position: Position, part: Part, one: int, other: int) -> None:
    slow, fast = (judge(part, replace(position, access_ns=ns)) for ns in (max(one, other), min(one, other)))
    assert slow.verdict.rank <= fast.verdict.rank


@st.composite
def arrangements(draw: st.DrawFn) -> Arrangement:
    width = draw(st.sampled_from([8, 16]))
    lines = draw(st.integers(1, 8))
    spare = draw(st.lists(st.sampled_from([LOW, HIGH, LOOSE]), max_size=3))
    sources = draw(st.permutations([*range(lines), *spare]))
    return Arrangement(width // 8, 1 << lines, tuple(sources), tuple(draw(st.permutations(range(width)))))


@QUIET
@given(arrangements(), st.binary(min_size=512, max_size=512))
def test_taking_is_the_inverse_of_placing(arrangement: Arrangement, content: bytes) -> None:
    wanted = content[: arrangement.board_units * arrangement.unit_bytes]
    chip = place(arrangement, wanted, 0xA5)
    assert take(arrangement, chip) == wanted
    copies = len(arrangement.starts())
    assert copies == 2 ** arrangement.sources.count(LOOSE)
    if arrangement.data == tuple(range(len(arrangement.data))):
        untouched = len(chip) - copies * len(wanted)
        assert chip.count(b"\xa5") >= wanted.count(b"\xa5") * copies + untouched


@QUIET
@given(arrangements(), st.data())
def test_a_placed_word_is_where_the_arrangement_says(arrangement: Arrangement, data: st.DataObject) -> None:
    unit = arrangement.unit_bytes
    address = data.draw(st.integers(0, arrangement.board_units - 1))
    content = bytearray(arrangement.board_units * unit)
    content[address * unit : (address + 1) * unit] = b"\xff" * unit
    chip = place(arrangement, bytes(content), 0)
    where = {arrangement.chip_address(address, start) for start in arrangement.starts()}
    assert {at // unit for at, byte in enumerate(chip) if byte} == where


def test_content_that_is_too_long_or_odd_is_refused() -> None:
    words = Arrangement(2, 4, (0, 1), tuple(range(16)))
    for content in (b"\0" * 10, b"\0"):
        with pytest.raises(ValueError, match="no content for 4 words of 2 bytes"):
            place(words, content)
    with pytest.raises(ValueError, match="not the whole chip"):
        take(words, b"\0" * 7)
    assert place(words, b"\1\2") == b"\1\2" + b"\xff" * 6


@pytest.mark.parametrize(
    ("sources", "said"),
    [
        ((0, 1, 2), []),
        ((0, 1, 2, LOW), []),
        ((0, 1, 2, HIGH), ["Write the content at 0x8: that is the part of the chip that the board reads."]),
        (
            (0, 1, 2, LOOSE, HIGH),
            ["Write the content 2 times, at 0x10, 0x18, so that either level reads the same."],
        ),
        (
            (1, 0, 2),
            ["Reorder the address lines of the content: its line 0 has the board's line 1, its "
             "line 1 has the board's line 0."],
        ),
    ],
)  # fmt: skip
def test_what_is_said_of_the_content(sources: tuple[int | str, ...], said: list[str]) -> None:
    assert list(Arrangement(1, 8, sources, tuple(range(8))).in_words()) == said


def test_many_copies_are_not_all_listed() -> None:
    (said,) = Arrangement(1, 2, (0, LOOSE, LOOSE, LOOSE), tuple(range(8))).in_words()
    assert said.startswith("Write the content 8 times, at 0x0, 0x2, 0x4, 0x6, ...,")


def test_the_largest_part_is_placed_at_once() -> None:
    """4 MiB in whole-array steps; a loop over words would take seconds."""
    found = judge(PARTS["st-m27c322"], position_for(PARTS["st-m27c160"]))
    assert found.arrangement
    content = content_of(position_for(PARTS["st-m27c160"]), 3)
    chip = place(found.arrangement, content)
    assert chip[: 1 << 21] == b"\xff" * (1 << 21)
    assert chip[1 << 21 :] == content
