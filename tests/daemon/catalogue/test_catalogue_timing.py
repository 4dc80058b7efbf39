"""Chip time against what data sheets print."""

import pytest

from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.catalogue.terms import Loop
from daemon.catalogue.timing import chip_erase_s, fastest_program_s
from daemon.errors import BenchError, Code


@pytest.mark.parametrize(
    ("name", "quoted_s"),
    [
        ("M27C512", 6.5),  # M27C512 sheet, November 1998
        ("M27C160", 52.5),  # M27C160 sheet, January 2002
        ("M27C322", 100),  # M27C322 sheet, Rev 3, March 2006
        ("M2716", 100),  # blurb of the Intel 2716 sheet
        ("NTE2764", 420),  # NTE2764 sheet, page 1: "programming time"; 8192 x 50 ms is 409.6 s
        ("Am29F040B", 3.6),  # Am29F040B sheet, Rev E: chip programming time
    ],
)
def test_whole_chip_time_is_the_sheets(name: str, quoted_s: float, catalogue: Catalogue) -> None:
    assert fastest_program_s(catalogue.get(name)) == pytest.approx(quoted_s, rel=0.05)


@pytest.mark.parametrize(("name", "quoted_s"), [("SST39SF010A", 2), ("SST39SF020A", 4), ("SST39SF040", 8)])
def test_rewrite_time_with_erase_is_what_the_sheet_rounds_up(
    name: str, quoted_s: float, catalogue: Catalogue
) -> None:
    # Source: SST39SF010A/020A/040 sheet, "chip rewrite time", whole seconds, chip erase included.
    part = catalogue.get(name)
    erase_s = chip_erase_s(part)
    assert erase_s == pytest.approx(0.070)  # the same sheet
    total_s = fastest_program_s(part) + (erase_s or 0)
    assert 0.9 * quoted_s <= total_s <= quoted_s


def test_overprogram_counts_in_the_fastest_run(catalogue: Catalogue) -> None:
    # Source: M27256 sheet, 1 ms and then 3 ms x n with n = 1: 32768 x 4 ms = 131.1 s (chip_facts.toml).
    assert fastest_program_s(catalogue.get("M27256")) == pytest.approx(131.1, abs=0.05)


def test_pages_take_a_cycle_each(catalogue: Catalogue) -> None:
    # Source: AT28C256 sheet, 64-byte pages, 10 ms at most: 512 x 10 ms = 5.12 s (chip_facts.toml).
    part = catalogue.get("AT28C256")
    assert fastest_program_s(part) == pytest.approx(5.12)
    assert fastest_program_s(part, 65) == pytest.approx(0.020)
    assert fastest_program_s(part, 0) == 0


def test_a_faster_byte_grade_writes_in_the_time_its_sheet_prints(catalogue: Catalogue) -> None:
    # Source: AT28C64 sheet: the E grade writes a byte in 200 us and the whole device in 1.6 s.
    part = catalogue.get("AT28C64")
    assert part.write
    assert part.write.loop is Loop.BYTE_WRITE
    fast = part.model_copy(update={"write": part.write.model_copy(update={"write_cycle_us_max": 200})})
    assert fastest_program_s(fast) == pytest.approx(1.6, rel=0.05)


def test_time_grows_with_the_words(catalogue: Catalogue) -> None:
    part = catalogue.get("M27C512")
    assert fastest_program_s(part, 1000) == pytest.approx(0.1)  # 1000 x 100 us


def test_erase_time_of_the_whole_chip(catalogue: Catalogue) -> None:
    # Source: Am29F040B sheet: 8 s typical, which is its 8 sectors at 1 s each.
    assert chip_erase_s(catalogue.get("Am29F040B")) == 8
    assert chip_erase_s(catalogue.get("M27C512")) is None


def test_a_mask_rom_is_not_programmed(mask_rom: Part) -> None:
    with pytest.raises(BenchError) as caught:
        fastest_program_s(mask_rom)
    assert caught.value.code is Code.PART_READ_ONLY
    assert mask_rom.name in caught.value.message
