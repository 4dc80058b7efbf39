"""Pin tables: the JEDEC byte-wide family rule and the traps between parts that look alike."""

from typing import Any

import pytest

from daemon.catalogue import pins
from daemon.catalogue.loader import Catalogue, packaged_pinouts, packaged_sources

PINOUTS = packaged_pinouts()
# Common to all byte-wide parts of 2 KiB and up, whatever the package: low addresses, data, ground, selects.
COMMON = {*(f"A{bit}" for bit in range(11)), *(f"D{bit}" for bit in range(8)), "GND"}


@pytest.mark.parametrize("name", sorted(PINOUTS))
def test_every_pinout_equals_the_facts_pin_by_pin(name: str, facts: dict[str, Any]) -> None:
    # Source: chip_facts.toml, pinouts, each with its own source. What it lacks is recalled, and says so.
    if name not in facts["pinouts"]:
        assert PINOUTS[name].source == "memory"
        return
    assert list(PINOUTS[name].pins) == facts["pinouts"][name]["signals"]
    assert PINOUTS[name].source == facts["pinouts"][name]["source"]
    assert PINOUTS[name].source in {*packaged_sources(), "memory"}


@pytest.mark.parametrize("small", [name for name in sorted(PINOUTS) if name.startswith(("dip24", "dip28"))])
@pytest.mark.parametrize("large", [name for name in sorted(PINOUTS) if name.startswith(("dip28", "dip32"))])
def test_byte_wide_packages_are_bottom_justified(small: str, large: str) -> None:
    # Source: NM27C128 and NM27C256 page 1 (Fairchild, July 1998), compatibility diagram: pin n of a 28-pin
    # part is pin n + 2 of a 32-pin socket; a 24-pin part in a 28-pin socket likewise.
    inner, outer = PINOUTS[small].pins, PINOUTS[large].pins
    shift = (len(outer) - len(inner)) // 2
    for signal in COMMON:
        (pin,) = pins.numbers_of(inner, signal)
        assert pins.numbers_of(outer, signal) == (pin + shift,), signal


def test_what_a_smaller_chip_meets_in_a_larger_socket() -> None:
    # Source: chip_facts.toml pin tables; the consequences are arithmetic on them.
    def name(pinout: str, pin: int) -> str:
        return PINOUTS[pinout].pins[pin - 1]

    assert name("dip28_27256", 28) == "VCC"
    assert name("dip32_27c010", 28 + 2) == "NC"
    assert name("dip32_27c020", 28 + 2) == "A17"
    assert name("dip28_27256", 1) == "VPP"
    assert name("dip32_27c010", 1 + 2) == "A15"
    assert name("dip24_2716", 24) == "VCC"
    assert (name("dip28_2764", 24 + 2), name("dip28_27128", 24 + 2)) == ("NC", "A13")
    assert (name("dip24_2716", 21), name("dip24_2732", 21)) == ("VPP", "A11")


@pytest.mark.parametrize(
    ("part", "pin", "on_pin_of_relative"),
    [
        # Source: data sheets as named in chip_facts.toml for each pinout.
        ("M27C160", 32, "A20 of M27C322"),
        ("M27C322", 13, "/OE of M27C160"),
        ("M27C4001", 1, "A19 of M27C801"),
        ("M27C801", 24, "/OE of M27C4001"),
        ("M27256", 1, "A15 of M27C512"),
        ("M27C512", 22, "/OE of M27256"),
        ("M2716", 21, "A11 of M2732A"),
        ("M2732A", 20, "/OE of M2716"),
    ],
)
def test_vpp_moves_within_a_family(
    part: str, pin: int, on_pin_of_relative: str, catalogue: Catalogue
) -> None:
    assert catalogue.get(part).vpp_pins == (pin,)
    signal, _, relative = on_pin_of_relative.partition(" of ")
    assert catalogue.get(relative).signal_of(pin) == signal


def test_pin_names_with_several_jobs() -> None:
    table = ("/OE|VPP", "GND", "D15|A-1", "GND", "RDY|NC")
    assert pins.numbers_of(table, "VPP") == pins.numbers_of(table, "/OE|VPP") == (1,)
    assert pins.numbers_of(table, "GND") == (2, 4)
    assert pins.numbers_of(table, "OE") == ()
    assert pins.numbered(table, "D") == {15: [3]}
    assert pins.numbered(table, "A") == {}  # A-1 is the byte select, not an address bit of the word
    assert [pins.is_idle(name) for name in table] == [False, False, False, False, True]


@pytest.mark.parametrize("name", [name for name in sorted(PINOUTS) if name.startswith("plcc32")])
def test_a_28_pin_family_in_plcc32_keeps_its_order(name: str) -> None:
    # from memory: pins 1, 12, 17 and 26 of the square package are not connected; the rest follow in order.
    own = PINOUTS[name].pins
    assert [own[pin - 1] for pin in (1, 12, 17, 26)] == ["NC"] * 4
    kept = tuple(signal for pin, signal in enumerate(own, 1) if pin not in (1, 12, 17, 26))
    assert kept == PINOUTS[name.replace("plcc32", "dip28")].pins


def test_16_mbit_in_44_pins_is_the_42_pin_package_and_a_pin_at_each_end() -> None:
    # from memory, as above
    assert PINOUTS["so44_27c160"].pins == ("NC", *PINOUTS["dip42_27c160"].pins, "NC")


def test_a_rom_of_1_mbit_in_28_pins_lies_under_the_32_pin_part_made_to_replace_it() -> None:
    # from memory; a check of two recalled tables against each other by the rule of bottom justification.
    inner, outer = PINOUTS["dip28_23c1000"].pins, PINOUTS["dip32_27c301"].pins
    same = [outer[pin + 1] == signal for pin, signal in enumerate(inner, 1)]
    assert [pin for pin, equal in enumerate(same, 1) if not equal] == [28]  # VCC, where 32 pins have NC
