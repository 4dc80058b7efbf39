"""The cells against what data sheets and benches say."""

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from simulator.chip.cells import Cells
from simulator.chip.process import Process

SEED = 7


def rows_of(count: int, start: int = 0) -> np.ndarray:
    return np.arange(start, start + count, dtype=np.uint32)


def random_words(count: int, bits: int = 8, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 1 << bits, count).astype(np.uint16)


def cells_of(part: Part, words: int | None = None, seed: int = SEED) -> Cells:
    blank = part.blank_byte * 0x0101 & (1 << part.width_bits) - 1
    return Cells(words or part.words, part.width_bits, Process.of_part(part, seed), seed, blank)


def zero_bits(words: np.ndarray, width: int = 8) -> int:
    return len(words) * width - int(np.bitwise_count(words).sum())


def program(cells: Cells, content: np.ndarray, part: Part, vpp_v: float, pulses_max: int = 25) -> np.ndarray:
    """Run a pulse-and-verify loop written for this test; return pulses per word (0 where none verified)."""
    assert part.write is not None
    assert part.write.pulse_us is not None
    width_s = part.write.pulse_us / 1e6
    vcc_v = part.supplies.vcc_program_v or part.supplies.vcc_read_v
    rows = rows_of(len(content))
    pulses = np.zeros(len(content), dtype=int)
    open_rows = np.flatnonzero(content != 0xFF if part.width_bits == 8 else content != 0xFFFF)
    for number in range(1, pulses_max + 1):
        cells.pulse(rows[open_rows], content[open_rows], vpp_v, width_s)
        good = cells.read(rows[open_rows], vcc_v) == content[open_rows]
        pulses[open_rows[good]] = number
        open_rows = open_rows[~good]
    return pulses


# Programming


@pytest.mark.parametrize(
    ("name", "printed_s"),
    [
        # Whole-chip programming times of the data sheets: M27C512 6.5 s; M27C1001 13 s
        # from memory; TMS27C020 26 s; Intel 27C011, the same 128 Kbyte at 100 us, "as fast as 15 s".
        ("st-m27c512", 6.5),
        ("st-m27c1001", 13.0),
        ("ti-tms27c020", 26.0),
    ],
)
def test_whole_chip_takes_the_pulses_of_the_data_sheet(parts: Catalogue, name: str, printed_s: float) -> None:
    part = parts.get(name)
    assert part.write is not None
    cells, content = cells_of(part), random_words(part.words)
    content[content == 0xFF] = 0
    pulses = program(cells, content, part, part.supplies.vpp_program_v or 0)
    assert pulses.min() == 1
    assert pulses.max() in (2, 3, 4)
    assert 1 <= np.count_nonzero(pulses > 1) <= part.words / 1000
    spent_s = int(pulses.sum()) * (part.write.pulse_us or 0) / 1e6
    assert spent_s == pytest.approx(printed_s, rel=0.02)
    for vcc_v in (6.0, 5.0, 4.2):  # ST's flow reads at 6.0 and 4.2 V afterwards (M27C512 sheet)
        assert np.array_equal(cells.read(rows_of(part.words), vcc_v), content)


@pytest.mark.no_cover
def test_every_pulse_part_programs_at_its_own_values(parts: Catalogue) -> None:
    seen = 0
    for part in parts:
        if part.write is None or part.write.pulse_us is None:
            continue
        seen += 1
        assert part.write.max_pulses is not None
        cells, content = cells_of(part, 4096), random_words(4096, part.width_bits)
        pulses = program(cells, content, part, part.supplies.vpp_program_v or 0, part.write.max_pulses)
        blank = content == (1 << part.width_bits) - 1
        assert (pulses[~blank] > 0).all(), part.id
        assert np.array_equal(cells.read(rows_of(4096), max(part.supplies.supply_checks_v)), content), part.id
        assert np.mean(pulses[~blank]) < 1.01, part.id
    assert seen >= 12


def test_the_makers_vpp_tolerance_is_harmless(parts: Catalogue) -> None:
    part = parts.get("st-m27c512")
    assert part.supplies.vpp_program_range_v == (12.5, 13.0)  # M27C512 sheet
    for vpp_v in (12.5, 13.0):
        pulses = program(cells_of(part, 8192), random_words(8192), part, vpp_v)
        assert np.mean(pulses[pulses > 0]) < 1.05


def test_a_volt_too_little_leaves_most_words_wrong(parts: Catalogue) -> None:
    for name in ("st-m27c512", "atmel-at27c256r", "st-m27256"):
        part = parts.get(name)
        content = random_words(4096)
        content[content == 0xFF] = 0
        pulses = program(cells_of(part, 4096), content, part, (part.supplies.vpp_program_v or 0) - 1.0)
        assert np.count_nonzero(pulses == 0) > 2048, name


def test_a_little_too_low_costs_more_pulses(parts: Catalogue) -> None:
    part = parts.get("st-m27c512")
    pulses = program(cells_of(part, 4096), random_words(4096), part, 12.75 - 0.7)
    assert 1.5 < np.mean(pulses[pulses > 0]) < 6


def test_without_programming_voltage_nothing_moves(parts: Catalogue) -> None:
    part = parts.get("st-m27c512")
    cells = cells_of(part, 256)
    before = cells.thresholds_mv(rows_of(256))
    cells.pulse(rows_of(256), np.zeros(256, dtype=np.uint16), 5.0, 1.0)
    assert np.array_equal(cells.thresholds_mv(rows_of(256)), before)


def test_a_pulse_ten_times_too_short_gives_cells_that_fail_the_high_supply(parts: Catalogue) -> None:
    part = parts.get("st-m27c512")
    cells = cells_of(part, 1024)
    rows, zeros = rows_of(1024), np.zeros(1024, dtype=np.uint16)
    cells.pulse(rows, zeros, 12.75, 10e-6)
    nominal = np.count_nonzero(cells.read(rows, 4.5) == 0)
    high = np.count_nonzero(cells.read(rows, 6.0) == 0)
    assert nominal > 800
    assert high == 0


def test_an_nmos_part_without_its_overprogram_pulse_is_weaker(parts: Catalogue) -> None:
    part = parts.get("st-m27256")
    assert part.write is not None
    assert part.write.overprogram_factor == 3  # M27256 sheet: 3 ms x n
    cells = cells_of(part, 1024)
    rows, zeros = rows_of(1024), np.zeros(1024, dtype=np.uint16)
    cells.pulse(rows, zeros, 12.5, 1e-3)
    weak = np.median(cells.thresholds_mv(rows))
    cells.pulse(rows, zeros, 12.5, 3e-3)
    assert np.median(cells.thresholds_mv(rows)) > weak + 500


@settings(max_examples=30, deadline=None)
@given(
    first=st.lists(st.integers(0, 255), min_size=16, max_size=16),
    second=st.lists(st.integers(0, 255), min_size=16, max_size=16),
    vpp_v=st.floats(0, 14),
    width_s=st.floats(1e-7, 1e-2),
)
def test_programming_never_turns_a_0_into_a_1(
    first: list[int], second: list[int], vpp_v: float, width_s: float
) -> None:
    cells = Cells(16, 8, Process(), SEED)
    rows = rows_of(16)
    cells.pulse(rows, np.array(first, dtype=np.uint16), 12.75, 1e-3)
    before = cells.thresholds_mv(rows)
    cells.pulse(rows, np.array(second, dtype=np.uint16), vpp_v, width_s)
    assert (cells.thresholds_mv(rows) >= before).all()
    ones = (np.array(second, dtype=np.uint16)[:, None] >> np.arange(8)) & 1 == 1
    assert np.array_equal(cells.thresholds_mv(rows)[ones], before[ones])
    assert np.array_equal(cells.read(rows, 5.0) & ~np.array(first, dtype=np.uint16), np.zeros(16))


# Erasing


@pytest.mark.parametrize(
    ("name", "dose_j"),
    # Doses of the sheets.
    [("st-m27c512", 15), ("ti-tms27c020", 15), ("st-m27c160", 30)],
)
def test_the_data_sheet_dose_erases_with_margin(parts: Catalogue, name: str, dose_j: float) -> None:
    part = parts.get(name)
    for seed in range(3):
        cells = cells_of(part, 1 << 16, seed)
        cells.half_erased(random_words(1 << 16, part.width_bits), dose_j)
        words = cells.read(rows_of(1 << 16), 3.0)  # below any maker's check
        assert zero_bits(words, part.width_bits) == 0


@pytest.mark.no_cover
def test_some_doses_read_blank_at_5_volts_and_not_at_the_lower_checks(parts: Catalogue) -> None:
    part = parts.get("st-m27c512")
    cells = cells_of(part)
    content, rows = random_words(part.words), rows_of(part.words)
    cells.programmed(content)
    too_early = 0
    for _ in range(60):
        cells.expose(0.25)
        blank = {vcc_v: zero_bits(cells.read(rows, vcc_v)) == 0 for vcc_v in (5.0, 4.5, 4.2)}
        too_early += blank[5.0] and not blank[4.5] and not blank[4.2]
    assert too_early >= 2
    assert all(blank.values())


@pytest.mark.no_cover
def test_blank_at_5_00_volts_legible_at_4_80_nearly_complete_at_4_60(parts: Catalogue) -> None:
    # Observed on under-exposed 27C256s: E. Dicks 2007, softwolves.com archive 12/12083.
    part = parts.get("st-m27c256b")
    for seed in range(4):
        cells = cells_of(part, seed=seed)
        content, rows = random_words(part.words), rows_of(part.words)
        cells.programmed(content)
        total = zero_bits(content)
        dose_j = 0.0
        while (zeros := zero_bits(cells.read(rows, 5.0))) and dose_j < 15:
            step_j = 0.02 if zeros < total / 10 else 0.1  # fine only where it matters: doses add up
            cells.expose(step_j)
            dose_j += step_j
        left = {vcc_v: zero_bits(cells.read(rows, vcc_v)) / total for vcc_v in (4.80, 4.60)}
        assert 0.1 < left[4.80] < 0.9
        assert left[4.60] > 0.97


@pytest.mark.no_cover
def test_first_blank_times_three_to_five_is_the_data_sheet_dose(parts: Catalogue) -> None:
    # The hobby rule x3 to x5 (Goodman 1984, a hobby column).
    part = parts.get("st-m27c256b")
    for seed in range(4):
        cells = cells_of(part, seed=seed)
        cells.programmed(random_words(part.words))
        dose_j = 0.0
        while zero_bits(cells.read(rows_of(part.words), 5.0)):
            cells.expose(0.1)
            dose_j += 0.1
        assert 3 * dose_j - 3 < 15 < 5 * dose_j


def test_doses_add_up(parts: Catalogue) -> None:
    part = parts.get("st-m27c512")
    once, often = cells_of(part, 512), cells_of(part, 512)
    content, rows = random_words(512), rows_of(512)
    once.half_erased(content, 4.0)
    often.programmed(content)
    for _ in range(400):
        often.expose(0.01)
    assert np.abs(once.thresholds_mv(rows).astype(int) - often.thresholds_mv(rows)).max() <= 1


def test_counts_flicker_near_the_trip_point(parts: Catalogue) -> None:
    # Seen on a bench (physicsforums 637736).
    part = parts.get("st-m27c512")
    cells = cells_of(part)
    cells.programmed(random_words(part.words))
    rows = rows_of(part.words)
    while zero_bits(cells.read(rows, 5.0)) > 100_000:
        cells.expose(0.05)
    assert len({zero_bits(cells.read(rows, 5.0)) for _ in range(5)}) > 1
    firm = {zero_bits(cells.read(rows, 2.5)) for _ in range(5)}
    assert len(firm) == 1


def test_a_part_without_erasure_by_light_keeps_its_content(parts: Catalogue) -> None:
    part = parts.get("sst-39sf010a")
    cells = cells_of(part, 256)
    cells.programmed(random_words(256))
    cells.expose(1000.0)
    assert np.array_equal(cells.read(rows_of(256), 5.0), random_words(256))


# Wear, faults, states


def test_wear_slows_programming_and_erasure(parts: Catalogue) -> None:
    part = parts.get("st-m27c512")
    fresh, worn = cells_of(part, 8192), cells_of(part, 8192)
    worn.wear(1000)
    content, rows = random_words(8192), rows_of(8192)
    assert program(worn, content, part, 12.75).sum() > program(fresh, content, part, 12.75).sum()
    for cells in (fresh, worn):
        cells.expose(4.0)
    assert zero_bits(worn.read(rows, 5.0)) > zero_bits(fresh.read(rows, 5.0))


def test_programming_after_light_is_one_cycle() -> None:
    cells = Cells(16, 8, Process(), SEED)
    zeros = np.zeros(16, dtype=np.uint16)
    for _ in range(3):
        cells.pulse(rows_of(16), zeros, 12.75, 1e-4)
        cells.pulse(rows_of(16), zeros, 12.75, 1e-4)
        cells.expose(5.0)
        cells.expose(10.0)
    assert cells.cycles == 2


@pytest.mark.parametrize("value", [0, 1])
@pytest.mark.parametrize("blank_word", [0xFF, 0x00])
def test_a_stuck_bit_stays(value: int, blank_word: int) -> None:
    cells = Cells(16, 8, Process(), SEED, blank_word)
    cells.stuck(3, 5, value)

    def bit() -> int:
        return int(cells.read(rows_of(16), 5.0)[3]) >> 5 & 1

    assert bit() == value
    cells.pulse(rows_of(16), np.full(16, ~blank_word & 0xFF, dtype=np.uint16), 12.75, 1e-2)
    assert bit() == value
    cells.expose(100.0)
    assert bit() == value
    cells.store(rows_of(16), np.full(16, blank_word, dtype=np.uint16))
    assert bit() == value
    assert int(cells.read(rows_of(16), 5.0)[2]) == blank_word


def test_a_part_that_erases_to_zeros_is_programmed_to_ones() -> None:
    cells = Cells(16, 8, Process(), SEED, blank_word=0x00)
    assert not cells.read(rows_of(16), 5.0).any()
    words = random_words(16)
    cells.pulse(rows_of(16), words, 12.75, 1e-3)
    assert np.array_equal(cells.read(rows_of(16), 6.0), words)


def test_content_must_fill_the_chip() -> None:
    with pytest.raises(ValueError, match="15 words"):
        Cells(16, 8, Process(), SEED).programmed(random_words(15))


def test_a_dose_is_not_negative() -> None:
    with pytest.raises(ValueError, match="negative"):
        Cells(16, 8, Process(), SEED).expose(-1.0)


def test_any_order_of_rows_reads_the_same() -> None:
    cells = Cells(4096, 16, Process(), SEED)
    content = random_words(4096, 16)
    cells.programmed(content)
    order = np.random.default_rng(2).permutation(4096).astype(np.uint32)
    assert np.array_equal(cells.read(order, 5.0), content[order])
    assert np.array_equal(cells.read(rows_of(4000, 96), 5.0), content[96:])
    assert len(cells.read(rows_of(0), 5.0)) == 0


def test_the_same_seed_gives_the_same_chip_and_another_does_not(parts: Catalogue) -> None:
    part = parts.get("st-m27c512")

    def life(seed: int) -> list[np.ndarray]:
        cells = cells_of(part, 2048, seed)
        pulses = program(cells, random_words(2048), part, 12.0)
        cells.expose(2.4)
        return [
            pulses,
            *(cells.read(rows_of(2048), 5.0) for _ in range(3)),
            cells.thresholds_mv(rows_of(2048)),
        ]

    assert all(map(np.array_equal, life(1), life(1)))
    assert not np.array_equal(life(1)[-1], life(2)[-1])


# Size and speed


def test_a_32_mbit_part_fits_and_is_quick(parts: Catalogue) -> None:
    part = parts.get("st-m27c322")
    started = time.perf_counter()
    cells = cells_of(part)
    assert cells.stored_bytes <= 80e6
    cells.read(rows_of(part.words), 5.0)
    assert time.perf_counter() - started < 6  # 0.4 s on one quiet core; room for a busy machine


def test_a_block_of_256_words_is_pulsed_and_read_quickly() -> None:
    cells, words = Cells(1 << 16, 8, Process(), SEED), random_words(256)
    cells.pulse(rows_of(256), words, 12.75, 1e-4)
    best_s = 1.0
    for block in range(64):
        started = time.perf_counter()
        cells.pulse(rows_of(256, block * 256), words, 12.75, 1e-4)
        cells.read(rows_of(256, block * 256), 6.25)
        best_s = min(best_s, time.perf_counter() - started)
    assert best_s < 0.5e-3
