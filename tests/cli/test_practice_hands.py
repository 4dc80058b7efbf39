"""A person's hands on a simulated programmer, in virtual time."""

import numpy as np
import pytest

from cli.practice.deeds import NotUnderstood
from cli.practice.hands import Hands
from cli.practice.tray_hands import TrayHands
from daemon.catalogue.loader import Catalogue
from simulator.chip.chip import Chip
from simulator.programmer.profile import full, modest
from simulator.programmer.programmer import VirtualProgrammer
from simulator.stock import Stock, make_socket

PARTS = Catalogue()


def hands(stock: Stock = Stock.BLANK, *, simple: bool = False) -> tuple[Hands, VirtualProgrammer]:
    profile = modest("SIM-1") if simple else full("SIM-1")
    part, other = PARTS.get("st-m27c512"), PARTS.get("st-m27c256b")
    socket = make_socket(part, stock, 1, socket_pins=profile.identity.socket_pins, other=other)
    programmer = VirtualProgrammer(profile, socket)
    return Hands(programmer, part, other, stock, 1), programmer


def test_another_chip_takes_the_place_of_the_first() -> None:
    own, programmer = hands()
    first = programmer.socket.chip
    done = own.do("chip used 7", 1.0)
    assert programmer.socket.chip is not first
    assert done.words == "in the socket now: M27C512 (used, seed 7)"
    assert (done.facts["kind"], done.facts["seed"]) == ("used", 7)


def test_a_folded_chip_says_which_pin_and_straightening_mends_it() -> None:
    own, programmer = hands()
    (folded,) = own.do("chip folded", 1.0).facts["folded"]
    assert folded["signal"] == "A8"  # pin 25 of a 27512 in JEDEC's 28-pin layout
    assert folded["pin"] == 25
    assert own.do("straighten", 2.0).facts["folded"] == []
    assert programmer.socket.chip is not None


def test_fold_a_pin_by_number() -> None:
    own, _ = hands()
    assert own.do("fold 9", 1.0).words == "pin 9 (A1) is folded under"


def test_a_new_chip_has_straight_pins() -> None:
    own, _ = hands(Stock.FOLDED)
    assert own.do("state", 0.0).facts["folded"] != []
    assert own.do("chip blank", 1.0).facts["folded"] == []


def test_turn_and_turn_back() -> None:
    own, _ = hands()
    assert own.do("turn", 1.0).facts["reversed"] is True
    assert own.do("turn", 2.0).facts["reversed"] is False
    assert hands(Stock.REVERSED)[0].do("state", 0.0).facts["reversed"] is True


def test_light_erases_a_used_chip_and_not_at_once() -> None:
    own, programmer = hands(Stock.USED)
    own.do("light 1", 1.0)
    chip = programmer.socket.chip
    assert chip is not None
    rows = np.arange(chip.part.words, dtype=np.uint32)
    assert not (chip.cells.read(rows, 5.0) == 0xFF).all()
    dose = own.do("light 240", 2.0).facts["dose_j_per_cm2"]
    assert dose > 15  # the sheet's dose for this part, J/cm²
    assert (chip.cells.read(rows, 4.5) == 0xFF).all()


def test_without_a_chip_there_is_nothing_to_turn() -> None:
    own, programmer = hands(Stock.NONE)
    with pytest.raises(NotUnderstood, match="no chip"):
        own.do("turn", 1.0)
    own.do("chip blank", 1.0)
    own.do("remove", 2.0)
    assert programmer.socket.chip is None


def test_a_hand_set_supply_is_turned() -> None:
    from simulator.supplies import SupplyName

    own, programmer = hands(simple=True)
    own.do("set vpp 12.75", 1.0)
    assert programmer.supplies.named(SupplyName.VPP).trimmer_v == 12.75


@pytest.mark.parametrize(
    "line",
    ["dance", "chip", "chip golden", "chip used one", "fold", "fold 99", "fold x", "light", "light -1",
     "set vpp", "set vid 3", "set vpp 900", "turn round", "chip locked"],
)  # fmt: skip
def test_what_makes_no_sense_is_told(line: str) -> None:
    own, programmer = hands()
    chip = programmer.socket.chip
    with pytest.raises(NotUnderstood):
        own.do(line, 1.0)
    assert programmer.socket.chip is chip


def test_help_tells_every_word() -> None:
    own, _ = hands()
    shown = own.help()
    assert all(f"  {word}" in shown for word in own.deeds)
    assert "half-erased" in shown


def test_the_commands_names_of_chips_and_boards_are_the_simulators() -> None:
    from cli.commands.practice import Board, Kind
    from cli.practice import simulate

    assert [kind.value for kind in Kind] == [stock.value for stock in Stock]
    assert [board.value for board in Board] == list(simulate._BOARDS)


def tray_hands(chips: int = 3) -> tuple[Hands, VirtualProgrammer, TrayHands]:
    profile = full("SIM-1")
    part, other = PARTS.get("st-m27c64a"), PARTS.get("st-m27c256b")
    socket = make_socket(part, Stock.NONE, 1, socket_pins=profile.identity.socket_pins)
    programmer = VirtualProgrammer(profile, socket)
    tray = TrayHands(programmer, part, chips)
    return Hands(programmer, part, other, Stock.NONE, 1, tray), programmer, tray


def bits_left(chip: Chip) -> int:
    rows = np.arange(chip.part.words, dtype=np.uint32)
    return chip.part.words * 8 - int(np.bitwise_count(chip.cells.read(rows, 4.2)).sum())


def test_light_falls_on_what_lies_on_the_tray() -> None:
    own, _, tray = tray_hands()
    own.do("aside 2", 0.0)
    before = [bits_left(each.lying.chip) for each in tray.chips]
    assert min(before) > 10_000  # used chips: random content has half of its bits programmed
    done = own.do("light 240", 1.0)
    assert done.facts["lit_s"] == 240 * 60
    assert len(done.facts["doses_j_per_cm2"]) == 2
    after = [bits_left(each.lying.chip) for each in tray.chips]
    assert (after[0], after[2]) == (0, 0)
    assert after[1] == before[1]


def test_chips_are_carried_one_at_a_time_with_a_moment_between() -> None:
    own, programmer, tray = tray_hands()
    assert own.do("put 1", 0.0).then == ""
    assert programmer.socket.chip is tray.chips[0].lying.chip
    first = own.do("put 2", 5.0)
    assert programmer.socket.chip is None
    assert (first.then, first.facts["tray"]["1"]) == ("put 2", "aside")
    second = own.do(first.then, 5.0 + first.after_s)
    assert programmer.socket.chip is tray.chips[1].lying.chip
    assert second.facts["tray"] == {"1": "aside", "2": "socket", "3": "tray"}
    own.do("remove", 7.0)
    assert own.do("tray", 8.0).facts["tray"]["2"] == "aside"
    assert set(own.do("back", 9.0).facts["tray"].values()) == {"tray"}


def test_a_dirty_window_lets_less_pass_until_it_is_cleaned() -> None:
    own, _, _ = tray_hands()
    own.do("lay 2 0 0", 0.0)
    own.do("lay 1 0 0", 0.0)
    own.do("window 1 0.25", 0.0)
    dirty, clean, _ = own.do("light 10", 1.0).facts["doses_j_per_cm2"]
    assert dirty == pytest.approx(clean / 4)
    own.do("clean", 2.0)
    first, second, _ = own.do("light 10", 3.0).facts["doses_j_per_cm2"]
    assert first == pytest.approx(second)


@pytest.mark.parametrize("line", ["put", "put 9", "light", "lay 1", "lay 1 5000", "window 1 2", "aside x"])
def test_what_makes_no_sense_on_a_tray_is_told(line: str) -> None:
    own, _, _ = tray_hands()
    with pytest.raises(NotUnderstood):
        own.do(line, 0.0)
