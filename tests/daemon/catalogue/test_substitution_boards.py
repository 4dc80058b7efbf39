"""What else a board may have on its pins, and in which order stand-ins are named."""

from collections.abc import Mapping
from typing import Any

import pytest

from daemon.catalogue.loader import Catalogue
from daemon.catalogue.substitution.contacts import Route
from daemon.catalogue.substitution.judge import judge, stand_ins
from daemon.catalogue.substitution.nets import Carries, Net, net
from daemon.catalogue.substitution.position import position_for
from daemon.catalogue.substitution.verdict import Verdict
from daemon.catalogue.terms import Confidence
from tests.daemon.catalogue.judging import Judged, position, starts


@pytest.mark.parametrize(
    ("nets", "verdict", "words"),
    [
        (
            {"p20": "high"},
            Verdict.ADAPTER,
            "wire it to the position's pin 22, where the board has output enable",
        ),
        ({"p20": "either"}, Verdict.CHECK, "Make sure that the board holds pin 20 (/CE) low."),
        ({"p20": "high", "p22": "high"}, Verdict.REWORK, "Lift pin 20 (/CE) and wire it to ground."),
        ({"p20": "CE"}, Verdict.CANNOT, "takes an inverter"),
        (
            {"p22": "high"},
            Verdict.ADAPTER,
            "Pin 22 (/OE) must be low while the chip is read; the board has a high",
        ),
        ({"p22": "either"}, Verdict.CHECK, "Make sure that the board holds pin 22 (/OE) low."),
        ({"p22": "low"}, Verdict.READY, ""),
        ({"p22": "open"}, Verdict.ADAPTER, "the board has nothing there"),
        ({"p28": "high"}, Verdict.REWORK, "Pin 28 (VCC) gets no supply: the board has a high level there."),
        ({"p14": "open"}, Verdict.REWORK, "Pin 14 (GND) gets no ground: the board has nothing there."),
        ({"p1": "high"}, Verdict.READY, ""),
        (
            {"p1": "GND"},
            Verdict.REWORK,
            "Pin 1 (VPP) must be high while the chip is read; the board has ground",
        ),
        ({"p1": "either"}, Verdict.CHECK, "Make sure that the board holds pin 1 (VPP) high"),
        ({"p1": "D3"}, Verdict.REWORK, "Pin 1 (VPP) must be at VCC"),
        ({"p11": "D1", "p12": "D0"}, Verdict.READY, "Reorder the data bits of the content: its bit 0 has"),
        (
            {"p11": "open"},
            Verdict.CANNOT,
            "Pin 11 (D0) is an output, and the board has nothing there; the board",
        ),
        (
            {"p11": "A0", "p10": "D0"},
            Verdict.ADAPTER,
            "Pin 11 (D0) is an output, and the board has A0 there.",
        ),
        (
            {"p10": "A1", "p9": "A0"},
            Verdict.READY,
            "Reorder the address lines of the content: its line 0 has",
        ),
        ({"p10": "high"}, Verdict.CANNOT, "The board brings no A0 to this position."),
        ({"p10": "A1"}, Verdict.CANNOT, "The board's A0 reaches no address pin, and none is free."),
    ],
)
def test_boards_that_have_something_else_on_a_pin(
    nets: Mapping[str, str], verdict: Verdict, words: str, catalogue: Catalogue
) -> None:
    found = judge(catalogue.get("M27C256B"), position(catalogue, **nets))
    told = [*found.reasons, *(task.text for task in found.tasks), *found.cautions]
    assert found.verdict is verdict, found
    assert [line for line in told if words in line], told


@pytest.mark.parametrize(
    ("part", "pin", "text", "verdict", "words"),
    [
        (
            "mask-2332",
            21,
            "/CE",
            Verdict.CANNOT,
            "by a low level, and pin 21 (CS2) must be high: that takes an inv",
        ),
        (
            "AT28C256",
            27,
            "/OE",
            Verdict.REWORK,
            "the board has output enable there, which is low when the board",
        ),
        (
            "AT28C256",
            27,
            "open",
            Verdict.REWORK,
            "the board has nothing there: left open, it could take reads",
        ),
        ("AT28C256", 27, "GND", Verdict.REWORK, "Lift pin 27 (/WE) and wire it to VCC."),
        ("M27128A", 27, "/WE", Verdict.READY, ""),  # /PGM without VPP does nothing
    ],
)
def test_control_pins_that_get_something_else(
    part: str, pin: int, text: str, verdict: Verdict, words: str, judged: Judged
) -> None:
    found = judged(part, part, nets={pin: net(text)}, access_ns=1000)
    told = [*found.reasons, *(task.text for task in found.tasks)]
    assert found.verdict is verdict, found
    assert [line for line in told if words in line] or not words, told


def test_an_adapter_is_not_asked_for_where_none_is_needed(catalogue: Catalogue) -> None:
    part = catalogue.get("SST39SF040")
    straight = Route("straight", "DIP32", {pin: pin for pin in range(1, 33)})
    (found,) = stand_ins(position_for(part), [part], [(part, straight)])
    assert (found.verdict, found.adapter) == (Verdict.READY, None)


def test_an_address_pin_on_a_control_line_of_the_board_is_told(catalogue: Catalogue) -> None:
    # A16 of a 28-pin ROM of 1 Mbit meets output enable of a 27512's place (from memory).
    found = judge(catalogue.get("mask-23c1000"), position_for(catalogue.get("M27C512")))
    assert found.verdict is Verdict.READY
    assert starts(found) == (0,)
    assert [line for line in found.cautions if "access time counts from that signal" in line]
    assert [line for line in found.cautions if "output enable does not reach it" in line]


def test_a_second_select_that_does_not_arrive_is_told(judged: Judged) -> None:
    found = judged("intel-2732", "mask-2332")
    assert [line for line in found.cautions if "Not all of the board's chip selects reach it" in line]


def test_every_part_can_stand_where_it_was_meant_to(catalogue: Catalogue) -> None:
    for part in catalogue:
        found = judge(part, position_for(part))
        assert found.verdict is Verdict.READY, found
        assert found.arrangement
        assert found.arrangement.plain


def test_stand_ins_come_best_first(catalogue: Catalogue) -> None:
    found = stand_ins(position_for(catalogue.get("M27C256B"), access_ns=250), catalogue)
    ranks = [one.verdict.rank for one in found]
    assert ranks == sorted(ranks)
    assert len(found) == len(catalogue)
    first = [one.part for one in found if one.verdict is Verdict.READY and not one.tasks]
    assert [part.confidence for part in first] == sorted([part.confidence for part in first], reverse=True)
    assert "st-m27c256b" in [part.id for part in first if part.confidence is Confidence.SEEN]
    assert all(one.reasons for one in found if one.verdict is Verdict.CANNOT)
    assert all(one.arrangement is None for one in found if one.verdict is Verdict.CANNOT)


@pytest.mark.parametrize(
    ("kwargs", "words"),
    [
        ({"byte_mode": True}, "M27C256B has no byte mode"),
        ({"words": 65536}, "has 32768 words there; a board cannot read 65536"),
        ({"words": 1}, "a board cannot read 1"),
        ({"nets": {29: net("VCC")}}, "has pins 1 to 28, not 29"),
    ],
)
def test_positions_that_cannot_be(kwargs: dict[str, Any], words: str, catalogue: Catalogue) -> None:
    with pytest.raises(ValueError, match=words):
        position_for(catalogue.get("M27C256B"), **kwargs)


@pytest.mark.parametrize("text", ["A-1", "A0", "A23", "D15", "/CE", "CE", "VCC", "GND", "open", "either"])
def test_nets_are_written_as_they_are_called(text: str) -> None:
    assert net(text).carries in Carries


@pytest.mark.parametrize("text", ["", "a0", "A", "D-1", "A123", "vcc", "/ce", "A0 ", "A" * 1000, "A٣"])
def test_what_is_no_net(text: str) -> None:
    with pytest.raises(ValueError, match="is no net; write one of A0, D0"):
        net(text)


def test_lines_keep_their_number() -> None:
    assert net("A14") == Net(Carries.ADDRESS, 14)
    assert net("A-1") == Net(Carries.ADDRESS, -1)
    assert net("D7") == Net(Carries.DATA, 7)
