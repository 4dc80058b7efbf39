"""Which parts can stand in for which, where the trade knows the answer.

The pin tables behind every case are those of chip_facts.toml or marked as recalled; the cases themselves are
common practice, no source, unless one is named.
"""

from dataclasses import replace

import pytest

from daemon.adapters.files import Adapters
from daemon.adapters.routes import routes_for
from daemon.catalogue.loader import Catalogue
from daemon.catalogue.substitution.contacts import Route
from daemon.catalogue.substitution.judge import judge, stand_ins
from daemon.catalogue.substitution.nets import net
from daemon.catalogue.substitution.position import position_for
from daemon.catalogue.substitution.verdict import Verdict, Work
from tests.daemon.catalogue.judging import Judged, starts


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
