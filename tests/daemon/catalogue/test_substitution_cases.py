"""Which parts can stand in for which, where the trade knows the answer.

The pin tables behind every case are those of chip_facts.toml or marked as recalled; the cases themselves are
common practice, no source, unless one is named.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import pytest

from daemon.adapters.files import Adapters
from daemon.adapters.routes import routes_for
from daemon.catalogue.loader import Catalogue
from daemon.catalogue.substitution.contacts import Route
from daemon.catalogue.substitution.judge import judge, stand_ins
from daemon.catalogue.substitution.nets import Carries, Net, net
from daemon.catalogue.substitution.position import Position, position_for
from daemon.catalogue.substitution.verdict import StandIn, Verdict, Work
from daemon.catalogue.terms import Confidence

Judged = Callable[..., StandIn]


@pytest.fixture
def judged(catalogue: Catalogue) -> Judged:
    """Judge a part in the position of another, both by id."""

    def _judged(part: str, meant_for: str, **position: Any) -> StandIn:
        return judge(catalogue.get(part), position_for(catalogue.get(meant_for), **position))

    return _judged


def starts(found: StandIn) -> tuple[int, ...]:
    assert found.arrangement
    return found.arrangement.starts()


@pytest.mark.parametrize(
    ("part", "meant_for", "verdict", "where"),
    [
        # Pin 1 is VPP of a 27C256, tied to VCC while reading, and A15 of a 27C512: the upper half is read.
        ("st-m27c512", "st-m27c256b", Verdict.READY, (0x8000,)),
        # Pin 27 is /PGM of a 2764, held high, and A14 of a 27C256; pin 26 is nothing there and A13 here.
        ("st-m27c256b", "intel-2764", Verdict.READY, (0x4000, 0x6000)),
        ("intel-27128", "intel-2764", Verdict.READY, (0x0000, 0x2000)),
        # Pin 21 is VPP of a 2716 and A11 of a 2732 (chip_facts.toml, section 5).
        ("intel-2732a", "intel-2716", Verdict.READY, (0x800,)),
        # Pin 30 is unconnected in a 27C010 and A17 in a 27C020 (chip_facts.toml, section 5).
        ("st-m27c2001", "st-m27c1001", Verdict.READY, (0x0, 0x20000)),
        # Pin 1 is VPP of a 27C040 and A19 of a 27C080; its sheet lets VPP be VCC or ground.
        ("st-m27c801", "st-m27c4001", Verdict.READY, (0x0, 0x80000)),
        # Pin 32 is BYTE/VPP of a 27C160, high for words, and A20 of a 27C322.
        ("st-m27c322", "st-m27c160", Verdict.READY, (0x200000 // 2,)),
        # Same pins, erased without light: the usual stand-in.
        ("winbond-w27c512", "st-m27c512", Verdict.READY, (0,)),
        # Pin 1 is write enable where the 27C256 has VPP, tied to VCC; A14 stays on pin 27 (from memory).
        ("atmel-at29c256", "st-m27c256b", Verdict.READY, (0,)),
        # Pin 27 is write enable where the 2764 has /PGM, held high.
        ("atmel-at28c64b", "intel-2764", Verdict.READY, (0,)),
        # The 27C010's sheet lets /PGM have either level: here it must be high.
        ("amd-am29f010", "st-m27c1001", Verdict.CHECK, (0,)),
        # A plain 28C64 has an open-drain output on pin 1, where the board has VCC.
        ("atmel-at28c64", "intel-2764", Verdict.REWORK, (0,)),
        # Output enable and A16 exchanged (from memory).
        ("hitachi-hn27c301", "st-m27c1001", Verdict.ADAPTER, (0,)),
    ],
)
def test_known_cases(
    part: str, meant_for: str, verdict: Verdict, where: tuple[int, ...], judged: Judged
) -> None:
    found = judged(part, meant_for)
    assert (found.verdict, starts(found)) == (verdict, where), found


def test_a_28c256_has_pins_exchanged_against_a_27c256(judged: Judged) -> None:
    # Source: KiCad pin tables (chip_facts.toml): 28C256 pin 1 A14 and 27 /WE, 27C256 pin 1 VPP and 27 A14.
    found = judged("AT28HC256", "M27C256B")
    assert found.verdict is Verdict.ADAPTER
    assert found.reasons == (
        "Pin 27 (/WE) is write enable, and the board has A14 there: whenever that is low, a read could be "
        "taken for a write.",
        "The board's A14 reaches no address pin; pin 1 (A14) is free, and the board has VCC there.",
    )
    assert [(task.work, task.pin, task.to) for task in found.tasks] == [
        (Work.TIE, 27, "VCC"),
        (Work.WIRE, 1, 27),
    ]
    assert (
        found.tasks[1].text
        == "Lift pin 1 (A14) and wire it to the position's pin 27, where the board has A14."
    )
    assert found.arrangement
    assert found.arrangement.plain


@pytest.mark.parametrize("part", ["Am29F040B", "SST39SF040"])
def test_a_29f040_has_pins_exchanged_against_a_27c040(part: str, judged: Judged) -> None:
    # Source: Am29F040B sheet and KiCad: pin 1 A18 and 31 /WE; a 27C040 has VPP and A18 there.
    found = judged(part, "M27C4001")
    assert found.verdict is Verdict.ADAPTER
    assert "Pin 31 (/WE) is write enable, and the board has A18 there" in found.reasons[0]
    assert (Work.WIRE, 1, 31) in [(task.work, task.pin, task.to) for task in found.tasks]


def test_no_byte_mode(judged: Judged) -> None:
    # Source: M27C322 sheet, 16 bits only; M27C160 sheet, "2Mb x8 or 1Mb x16".
    found = judged("M27C322", "M27C160", byte_mode=True)
    assert found.verdict is Verdict.CANNOT
    assert found.reasons == ("The board reads bytes there; M27C322 has no byte mode, only words of 16 bits.",)
    assert judged("M27C160", "M27C160", byte_mode=True).verdict is Verdict.READY


def test_too_narrow(judged: Judged) -> None:
    found = judged("M27C801", "AT27C400")
    assert found.reasons == ("The board reads 16 bits there; M27C801 has 8.",)


def test_too_small(judged: Judged) -> None:
    found = judged("M27C256B", "M27C512")
    assert found.verdict is Verdict.CANNOT
    assert found.reasons == ("It holds 32,768 bytes and the board reads 65,536 there.",)


def test_a_smaller_part_will_do_where_the_board_reads_less(judged: Judged) -> None:
    found = judged("M27C256B", "M27C512", words=32768)
    # A15 of the board then meets VPP, which this part wants at VCC.
    assert found.verdict is Verdict.REWORK
    assert found.reasons == ("Pin 1 (VPP) must be at VCC while the chip is read; the board has A15 there.",)
    assert judged("Am27C256", "M27C512", words=32768).verdict is Verdict.READY  # VPP: any level (from memory)


@pytest.mark.parametrize(
    ("access_ns", "verdict", "words"),
    [
        # Source: AT28C256 sheet: 150, 200, 250 and 350 ns.
        (149, Verdict.CANNOT, "Too slow: the fastest AT28C256 answers in 150 ns; the board waits 149 ns."),
        (200, Verdict.READY, "Take one that is marked 200 ns or faster."),
        (350, Verdict.READY, None),
        (None, Verdict.READY, None),
    ],
)
def test_access_time(access_ns: float | None, verdict: Verdict, words: str | None, judged: Judged) -> None:
    found = judged("AT28C256", "AT28C256", access_ns=access_ns)
    assert found.verdict is verdict
    told = [*found.reasons, *(task.text for task in found.tasks)]
    assert told == ([words] if words else [])
    assert bool(found.cautions) == (access_ns is None)


def test_supply(judged: Judged, catalogue: Catalogue) -> None:
    at_3v3 = position_for(catalogue.get("SST39SF040"), vcc_v=3.3)
    (reason,) = judge(catalogue.get("SST39SF040"), at_3v3).reasons
    assert reason == "The board supplies 3.13 to 3.46 V; SST39SF040 is read at 5 V ± 0.5 V."
    assert judge(catalogue.get("SST39VF040"), replace(at_3v3, package="PLCC32")).verdict is Verdict.READY


def test_a_board_that_writes_could_wake_a_part_that_takes_writes(judged: Judged) -> None:
    found = judged("AT28C256", "AT28HC256", writes=True)
    assert found.verdict is Verdict.READY
    (told,) = [line for line in found.cautions if "write strobe" in line]
    assert told.startswith("Pin 27 (/WE) gets the board's write strobe: a write to this address would reach")
    assert "Lock it by its software protection" in told
    assert not [line for line in judged("AT28C256", "AT28HC256").cautions if "strobe" in line]


def test_vpp_must_not_have_a_signal(judged: Judged) -> None:
    # The write strobe of a 28C16 is where a 2716 has VPP (chip_facts.toml and from memory).
    found = judged("M2716", "AT28C16", writes=True)
    assert found.verdict is Verdict.REWORK
    assert found.reasons == (
        "Pin 21 (VPP) must be at VCC while the chip is read; the board has its write strobe there.",
    )


def test_a_smaller_package_stands_at_the_bottom_and_needs_its_supply(judged: Judged) -> None:
    # Source: chip_facts.toml section 5: 28-pin VCC lands on 32-pin pin 30, NC on a 27C010 and A17 above.
    found = judged("M27C512", "M27C1001", words=65536)
    assert found.verdict is Verdict.REWORK
    assert found.reasons == ("Pin 28 (VCC) gets no supply: the board has nothing on the position's pin 30.",)
    wired = judged("M27C512", "M27C1001", words=65536, nets={30: net("VCC")})
    assert wired.verdict is Verdict.READY
    assert starts(wired) == (0,)


def test_a_larger_package_hangs_over(judged: Judged) -> None:
    # Source: chip_facts.toml section 5: Intel calls the 27C010 pin-compatible with 28-pin 512K sockets.
    found = judged("M27C1001", "M27C512")
    assert found.verdict is Verdict.ADAPTER
    assert found.reasons[0] == "Its 32 pins stand over both ends of a position with 28."
    assert {task.pin for task in found.tasks if task.work is Work.TIE} == {1, 2, 31, 32}
    assert starts(found) == (0,)


def test_vpp_that_may_be_either_is_still_no_place_for_a_signal(judged: Judged) -> None:
    # Source: chip_facts.toml section 5: pin 1 is A19 of a 27C080 and VPP of a 27C010. VPP tied: from memory.
    found = judged("M27C1001", "M27C801", words=131072)
    assert found.verdict is Verdict.REWORK
    assert found.reasons == ("Pin 1 (VPP) must be tied to VCC or ground; the board has A19 there.",)


def test_the_chip_select_must_arrive(judged: Judged) -> None:
    # A TMS2532 is enabled on pin 20, where a 2716 has output enable (from memory).
    found = judged("TMS2532", "M2716")
    assert found.verdict is Verdict.ADAPTER
    assert found.reasons == (
        "The board's chip select reaches no enable pin: the chip would answer reads meant for others.",
    )
    assert [(task.pin, task.to) for task in found.tasks if task.work is Work.WIRE] == [(20, 18)]


def test_a_line_led_to_another_address_pin_reorders_the_content(judged: Judged) -> None:
    # A11 and A12 of a 24-pin 2364 are on pins 18 and 21; a 28-pin part has A11 over the second (from memory).
    found = judged("AT28C64B", "mask-2364")
    assert found.verdict is Verdict.ADAPTER
    assert (Work.WIRE, 2, 18) in [(task.work, task.pin, task.to) for task in found.tasks]
    assert found.arrangement
    assert found.arrangement.moved_lines == ((11, 12), (12, 11))


def test_an_adapter_costs_time(catalogue: Catalogue) -> None:
    part = catalogue.get("AT28C256")  # 150 ns at best
    straight = Route("buffered", "DIP28", {pin: pin for pin in range(1, 29)}, access_adds_ns=12)
    wanted = position_for(part, access_ns=160)
    assert judge(part, wanted).verdict is Verdict.READY
    (reason,) = judge(part, wanted, straight).reasons
    assert reason.endswith("answers in 150 ns and the adapter adds 12 ns; the board waits 160 ns.")
    assert judge(part, wanted, replace(straight, access_adds_ns=10)).verdict is Verdict.ADAPTER


def test_an_adapter_that_leaves_work_to_do_is_none(catalogue: Catalogue) -> None:
    part = catalogue.get("AT28C256")
    lost = Route("lost", "DIP28", {pin: pin for pin in range(1, 28)})  # VCC goes nowhere
    found = judge(part, position_for(part), lost)
    assert found.verdict is Verdict.CANNOT
    assert found.reasons == ("Pin 28 (VCC) gets no supply: nothing of the position is there.",)


def test_an_adapter_is_named_with_why_it_is_needed(catalogue: Catalogue) -> None:
    part, wanted = catalogue.get("AT28HC256"), position_for(catalogue.get("M27C256B"))
    (found,) = stand_ins(wanted, [part], routes_for([part], Adapters()))
    assert (found.verdict, found.adapter) == (Verdict.ADAPTER, "28C256 in the place of a 27C256")
    assert found.reasons == judge(part, wanted).reasons
    assert found.tasks[0].text == "Put it on the adapter “28C256 in the place of a 27C256”."
    assert [task.work for task in found.tasks] == [Work.ADAPTER]


def test_another_layout_is_called_so(judged: Judged) -> None:
    found = judged("M27C4002", "M27C400")
    assert found.verdict is Verdict.CANNOT
    (reason,) = found.reasons
    assert reason.startswith("Its pins are laid out differently: ")


def test_packages_that_do_not_go_together(judged: Judged, catalogue: Catalogue) -> None:
    (reason,) = judged("SST39VF040", "SST39SF040").reasons
    assert reason == "A PLCC32 does not go into a DIP32 position without an adapter."
    square = position_for(catalogue.get("SST39SF040").in_package("PLCC32"))
    found = judge(catalogue.get("M27C4001"), square)  # sold in that package too
    assert (found.part.package, found.verdict) == ("PLCC32", Verdict.ADAPTER)


def position(catalogue: Catalogue, **nets: str) -> Position:
    """The position of a 27C256 with some pins changed."""
    changed = {int(pin[1:]): net(text) for pin, text in nets.items()}
    return position_for(catalogue.get("M27C256B"), nets=changed)


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
