"""Parts that time their own writes, against their data sheets.

AT28C64 (Atmel 0001H), AT28C256 (Atmel 0006M), SST39SF (SST S71147), Am29F040B (AMD 21445).
"""

from collections.abc import Callable, Iterable

import numpy as np
import pytest

from daemon.catalogue.loader import Catalogue
from protocol.descriptor import PartDescriptor
from protocol.wire import Mode
from simulator.bus import Bus
from simulator.chip.chip import Chip
from simulator.rails import Rails
from simulator.socket import ContactFault, Socket

Describe = Callable[..., PartDescriptor]
READ = Rails(5.0)

# Command codes as the sheets print them, address and data.
SDP_ON = [(0x5555, 0xAA), (0x2AAA, 0x55), (0x5555, 0xA0)]
SDP_OFF = [(0x5555, 0xAA), (0x2AAA, 0x55), (0x5555, 0x80), (0x5555, 0xAA), (0x2AAA, 0x55), (0x5555, 0x20)]
SST_ERASE = [(0x5555, 0xAA), (0x2AAA, 0x55), (0x5555, 0x80), (0x5555, 0xAA), (0x2AAA, 0x55)]
SST_PROGRAM = [(0x5555, 0xAA), (0x2AAA, 0x55), (0x5555, 0xA0)]
AMD_PROGRAM = [(0x555, 0xAA), (0x2AA, 0x55), (0x555, 0xA0)]


class Bench:
    """A chip, its pins and a clock."""

    def __init__(self, bus: Bus, chip: Chip) -> None:
        self.bus, self.chip = bus, chip
        self.now_s = 1.0
        self.started_s = 0.0

    def write(self, cycles: Iterable[tuple[int, int]], rails: Rails = READ) -> None:
        for address, word in cycles:
            self.now_s += 1e-6
            self.bus.write(address, word, rails, self.now_s)
        self.started_s = self.now_s

    def wait(self, cycles: Iterable[tuple[int, int]] = (), rails: Rails = READ) -> float:
        """Write, wait for the end, and return how long it took, seconds."""
        self.write(cycles, rails)
        self.now_s = max(self.now_s, self.bus.busy_until_s())
        return self.now_s - self.started_s

    def read(self, address: int, count: int = 1) -> list[int]:
        words = self.bus.read(
            Mode.READ, np.arange(address, address + count, dtype=np.uint32), READ, self.now_s
        )
        return [int(word) for word in words]


@pytest.fixture
def bench(parts: Catalogue, describe: Describe) -> Callable[..., Bench]:
    def make(name: str, *, locked: bool = False, used: bool = False) -> Bench:
        part = parts.get(name)
        chip = Chip(part, 4, locked=locked)
        if used:
            chip.program_at_maker(np.full(part.words, 0x3C, dtype=np.uint16))
        return Bench(Bus(describe(part), Socket(len(part.pins), chip)), chip)

    return make


# 28C64: bytes


def test_a_byte_is_replaced_within_the_longest_write_cycle(bench: Callable[..., Bench]) -> None:
    chip = bench("atmel-at28c64", used=True)
    assert 0 < chip.wait([(5, 0xC3)]) <= 1000e-6
    assert chip.read(4, 3) == [0x3C, 0xC3, 0x3C]


def test_polling_shows_the_inverted_top_bit_until_the_end(bench: Callable[..., Bench]) -> None:
    chip = bench("atmel-at28c64")
    chip.write([(5, 0x80)])
    assert chip.bus.busy(chip.now_s)
    seen = chip.read(5, 4)
    assert all(word & 0x80 == 0 for word in seen)
    assert len({word & 0x40 for word in seen}) == 2  # and the bit below toggles
    chip.write([(6, 0x11)])  # too early: ignored
    chip.wait()
    assert not chip.bus.busy(chip.now_s)
    assert chip.read(5, 2) == [0x80, 0xFF]


def test_the_whole_28c64e_takes_its_printed_time(bench: Callable[..., Bench]) -> None:
    # "entire device in 1.6 seconds" with a 200 us cycle (AT28C64E); ours has the 1 ms grade: at most 8.2 s.
    chip = bench("atmel-at28c64")
    spent_s = sum(chip.wait([(address, address & 0xFF)]) for address in range(8192))
    assert 4 < spent_s <= 8.192
    assert chip.read(0, 8192) == [address & 0xFF for address in range(8192)]


def test_writes_are_inhibited_at_low_supply(bench: Callable[..., Bench]) -> None:
    chip = bench("atmel-at28c64")
    chip.wait([(5, 0)], Rails(3.5))
    assert chip.read(5) == [0xFF]
    assert chip.wait([(5, 0)], Rails(4.5)) > 0
    assert chip.read(5) == [0]


def test_a_plain_28c64_knows_no_lock(bench: Callable[..., Bench]) -> None:
    chip = bench("atmel-at28c64", locked=True)
    chip.wait([(5, 0x12)])
    assert chip.read(5) == [0x12]


# 28C256: pages and the lock


def test_a_page_is_written_in_one_cycle(bench: Callable[..., Bench]) -> None:
    chip = bench("atmel-at28c256", used=True)
    page = [(64 + index, index) for index in range(64)]
    assert 150e-6 < chip.wait(page) <= 150e-6 + 10e-3
    assert chip.read(64, 64) == list(range(64))
    assert chip.read(63) == chip.read(128) == [0x3C]


def test_a_late_load_is_lost(bench: Callable[..., Bench]) -> None:
    chip = bench("atmel-at28c256")
    chip.write([(0, 1)])
    chip.now_s += 149e-6
    chip.write([(1, 2)])
    chip.now_s += 160e-6
    chip.write([(2, 3)])
    chip.wait()
    assert chip.read(0, 4) == [1, 2, 0xFF, 0xFF]


def test_write_page_loads_consecutive_cycles(bench: Callable[..., Bench]) -> None:
    chip = bench("atmel-at28c256")
    rows = np.arange(128, 192, dtype=np.uint32)
    chip.bus.write_page(rows, rows.astype(np.uint16), READ, chip.now_s)
    chip.wait()
    assert chip.read(128, 64) == list(range(128, 192))


def test_a_locked_chip_is_silent_about_it(bench: Callable[..., Bench]) -> None:
    chip = bench("atmel-at28c256", locked=True, used=True)
    chip.write([(0, 0x55)])
    chip.now_s += 1e-3
    assert chip.bus.busy(chip.now_s)  # the timer runs (AT28C256 sheet)
    assert chip.bus.busy_until_s() - chip.started_s > 1e-3
    chip.wait()
    assert chip.read(0) == [0x3C]


def test_the_prefix_writes_and_leaves_it_locked(bench: Callable[..., Bench]) -> None:
    chip = bench("atmel-at28c256", locked=True)
    chip.wait([*SDP_ON, (7, 0x42), (8, 0x43)])
    assert chip.read(7, 2) == [0x42, 0x43]
    chip.wait([(7, 0)])
    assert chip.read(7) == [0x42]
    assert chip.read(0x5555) == [0xFF]


def test_unlocking_and_locking(bench: Callable[..., Bench]) -> None:
    chip = bench("atmel-at28c256", locked=True)
    chip.wait(SDP_OFF)
    chip.wait([(7, 0x42)])
    assert chip.read(7) == [0x42]
    chip.wait(SDP_ON)
    chip.wait([(7, 0)])
    assert chip.read(7) == [0x42]


# 39SF and 29F: commands


def test_programming_takes_the_sequence_and_only_clears_bits(bench: Callable[..., Bench]) -> None:
    chip = bench("sst-39sf010a")
    chip.wait([(0x100, 0x00)])
    assert chip.read(0x100) == [0xFF]
    assert chip.wait([*SST_PROGRAM, (0x100, 0xF3)]) <= 20e-6
    chip.wait([*SST_PROGRAM, (0x100, 0x3F)])
    assert chip.read(0x100) == [0x33]
    chip.wait([*SST_PROGRAM, (0x101, 0xF0)])  # the data may look like a reset
    assert chip.read(0x101) == [0xF0]


@pytest.mark.parametrize(
    ("name", "printed_s", "erase_s"),
    # SST39SF010A: rewrite 2 s, its 70 ms chip erase included; Am29F040B: 3.6 s (their sheets).
    [("sst-39sf010a", 2.0, 0.07), ("amd-am29f040b", 3.6, 0.0)],
)
def test_whole_chip_times_are_those_of_the_sheet(
    bench: Callable[..., Bench], name: str, printed_s: float, erase_s: float
) -> None:
    chip = bench(name)
    prefix = SST_PROGRAM if name.startswith("sst") else AMD_PROGRAM
    share = 64
    spent_s = sum(chip.wait([*prefix, (address, 0)]) for address in range(chip.chip.part.words // share))
    assert spent_s * share + erase_s == pytest.approx(printed_s, rel=0.1)


def test_unlock_addresses_are_masked_as_the_part_decodes(bench: Callable[..., Bench]) -> None:
    # SST39SF: A15 and up do not matter. Am29F040B: A11 and up do not, so 5555/2AAA satisfies it.
    for name in ("sst-39sf010a", "amd-am29f040b"):
        chip = bench(name)
        chip.wait([(0x5555 | 0x8000, 0xAA), (0x2AAA | 0x10000, 0x55), (0x5555, 0xA0), (9, 0x5A)])
        assert chip.read(9) == [0x5A], name
    chip = bench("sst-39sf010a")
    chip.wait([*AMD_PROGRAM, (9, 0x5A)])
    assert chip.read(9) == [0xFF]


def test_a_broken_sequence_starts_over(bench: Callable[..., Bench]) -> None:
    chip = bench("sst-39sf010a")
    chip.wait([(0x5555, 0xAA), *SST_PROGRAM, (9, 0x5A)])
    assert chip.read(9) == [0x5A]
    chip.wait([*SST_PROGRAM[:2], (0x5555, 0xF0), (0x5555, 0xA0), (10, 0x5A)])
    assert chip.read(10) == [0xFF]


def test_sector_and_chip_erase(bench: Callable[..., Bench]) -> None:
    chip = bench("sst-39sf010a", used=True)
    assert 15e-3 < chip.wait([*SST_ERASE, (0x3123, 0x30)]) < 25e-3
    assert chip.read(0x2FFF, 2) == [0x3C, 0xFF]
    assert chip.read(0x3FFF, 2) == [0xFF, 0x3C]
    chip.write([*SST_ERASE, (0x5555, 0x10)])
    assert chip.read(0)[0] & 0x80 == 0  # polling: the data is FF, its top bit inverted
    assert 60e-3 < chip.wait() < 100e-3
    assert chip.read(0, 0x20000) == [0xFF] * 0x20000


def test_erasing_a_sector_after_programming_in_it(bench: Callable[..., Bench]) -> None:
    chip = bench("sst-39sf010a")
    for address in (0x10, 0x1010):
        chip.wait([*SST_PROGRAM, (address, 0)])
    chip.wait([*SST_ERASE, (0, 0x30)])
    assert chip.read(0x10) == [0xFF]
    assert chip.read(0x1010) == [0]


@pytest.mark.parametrize(
    ("name", "first", "second", "codes"),
    # BF B5 and 01 A4 (their sheets).
    [("sst-39sf010a", 0x5555, 0x2AAA, [0xBF, 0xB5]), ("amd-am29f040b", 0x555, 0x2AA, [0x01, 0xA4])],
)
def test_id_mode(bench: Callable[..., Bench], name: str, first: int, second: int, codes: list[int]) -> None:
    chip = bench(name, used=True)
    chip.wait([(first, 0xAA), (second, 0x55), (first, 0x90)])
    assert chip.read(0, 2) == codes
    chip.wait([(0, 0xF0)])
    assert chip.read(0, 2) == [0x3C, 0x3C]


def test_a_locked_flash_keeps_its_content(bench: Callable[..., Bench]) -> None:
    chip = bench("sst-39sf010a", locked=True, used=True)
    chip.wait([*SST_PROGRAM, (0, 0)])
    chip.wait([*SST_ERASE, (0x5555, 0x10)])
    assert chip.read(0) == [0x3C]


# Wrong places


def test_a_flash_with_an_open_write_enable_takes_nothing(parts: Catalogue, describe: Describe) -> None:
    part = parts.get("sst-39sf010a")
    chips = (Chip(part, seed) for seed in range(20))
    chip = next(chip for chip in chips if chip.drift_v(part.pin_number("/WE")) > 2)
    faults = {part.pin_number("/WE"): ContactFault.OPEN}
    bench = Bench(Bus(describe(part), Socket(32, chip, faults=faults)), chip)
    bench.wait([*SST_PROGRAM, (0, 0)])
    assert bench.read(0) == [0xFF]
    assert bench.bus.busy_until_s() == 0


def test_an_eprom_does_not_mind_write_cycles(parts: Catalogue, describe: Describe) -> None:
    eprom, eeprom = parts.get("st-m27c256b"), parts.get("atmel-at28c256")
    chip = Chip(eprom, 1)
    bench = Bench(Bus(describe(eeprom), Socket(28, chip)), chip)
    bench.wait([(0, 0), (1, 1)])
    assert not bench.bus.busy(bench.now_s)
    assert (chip.cells.read(np.arange(256, dtype=np.uint32), 5.0) == 0xFF).all()


def test_the_same_seed_takes_the_same_time(bench: Callable[..., Bench]) -> None:
    times = [[bench("atmel-at28c64").wait([(a, 0)]) for a in range(3)] for _ in range(2)]
    assert times[0] == times[1]


# Flash that is written by pages (AT29C010A, SST29EE010: sheets from memory)

ID_ENTER = [(0x5555, 0xAA), (0x2AAA, 0x55), (0x5555, 0x90)]
ID_EXIT = [(0x5555, 0xAA), (0x2AAA, 0x55), (0x5555, 0xF0)]


@pytest.mark.parametrize(
    ("name", "codes"), [("AT29C010A", [0x1F, 0xD5]), ("AT29C256", [0x1F, 0xDC]), ("SST29EE010", [0xBF, 0x07])]
)
def test_flash_of_pages_names_itself_by_command(
    bench: Callable[..., Bench], name: str, codes: list[int]
) -> None:
    chip = bench(name)
    chip.wait([(row, row) for row in range(64)])
    chip.wait(ID_ENTER)
    assert chip.read(0, 2) == codes
    chip.wait(ID_EXIT)
    assert chip.read(0, 3) == [0, 1, 2]
    # Nothing of the commands was stored.
    assert chip.read(0x5555) == [0xFF]
    assert chip.read(0x2AAA) == [0xFF]


def test_flash_of_pages_erases_what_a_page_was_not_given(bench: Callable[..., Bench]) -> None:
    """An EEPROM keeps it; SST29EE010: a byte that is not loaded becomes FF."""
    for name, kept in (("AT29C256", 0xFF), ("SST29EE010", 0xFF), ("AT28C256", 5)):
        chip = bench(name)
        size = 128 if name == "SST29EE010" else 64
        chip.wait([(row, row) for row in range(size)])
        chip.wait([(3, 0x33)])
        assert chip.read(3) == [0x33]
        assert chip.read(5) == [kept], name
