"""What one chip makes of its own pins."""

from math import nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.catalogue.terms import Level, Mode
from simulator.chip.chip import Chip, Does
from simulator.chip.modes import ModeTable

VOLTS = {Level.LOW: 0.0, Level.HIGH: 5.0, Level.PULSE_LOW: 0.0, Level.PULSE_HIGH: 5.0, Level.ADDRESS: 5.0}


def volts_for(part: Part, mode: Mode) -> dict[int, float]:
    """Return what a programmer that knows the part puts on its pins in a mode, at nominal values."""
    supplies = part.supplies
    vcc_v = supplies.vcc_read_v if mode in (Mode.STANDBY, Mode.READ, Mode.SIGNATURE, Mode.WRITE) else None
    vcc_v = vcc_v or supplies.vcc_program_v or 0.0
    table = VOLTS | {
        Level.VPP: supplies.vpp_program_v or 0.0,
        Level.ID: supplies.id_v or 0.0,
        Level.VCC: vcc_v,
    }
    return {pin: table.get(level, nan) for pin, level in part.levels(mode).items()}


def test_every_part_finds_its_own_modes(parts: Catalogue) -> None:
    count = 0
    for part in parts:
        table = ModeTable(part)
        for mode in part.modes:
            volts = volts_for(part, mode)
            found = table.recognise({pin: 0.0 if value != value else value for pin, value in volts.items()})
            # Where VPP is taken off a shared pin to verify, verify is read at another supply.
            same = mode is Mode.VERIFY and part.modes[Mode.READ] == part.modes[Mode.VERIFY]
            assert found is mode or (same and found is Mode.READ), (part.id, mode, found)
            assert table.hurt(volts) is None, (part.id, mode)
            count += 1
    assert count > 100


def test_combinations_outside_the_table_do_nothing(parts: Catalogue) -> None:
    part = parts.get("st-m27c256b")
    chip = Chip(part)
    volts = volts_for(part, Mode.READ)
    volts[part.pin_number("/OE")] = 5.0  # selected, outputs off: the table has no such row
    state = chip.feel(volts)
    assert state.mode is None
    assert state.does is Does.NOTHING
    assert not state.drives


@pytest.mark.parametrize("pin", ["VCC", "GND"])
def test_without_supply_or_ground_it_does_nothing(parts: Catalogue, pin: str) -> None:
    part = parts.get("st-m27c256b")
    volts = volts_for(part, Mode.READ) | {part.pin_number(pin): nan}
    assert Chip(part).feel(volts).mode is None


@given(st.sampled_from(["VPP", "A9", "/CE", "D0", "VCC"]), st.floats(0, 30))
def test_a_pin_above_its_absolute_maximum_destroys_the_chip_for_good(name: str, volts_v: float) -> None:
    part = Catalogue().get("st-m27c256b")
    # ST's 27C family (M27C512 sheet): VPP 14 V, A9 13.5 V, others the 7 V of the supply.
    limit_v = {"VPP": 14.0, "A9": 13.5}.get(name, 7.0)
    chip = Chip(part)
    volts = volts_for(part, Mode.READ)
    chip.feel(volts | {part.pin_number(name): volts_v})
    if volts_v < limit_v:
        assert chip.damage is None
    if volts_v > 1.05 * limit_v:
        assert name in str(chip.damage)
        assert chip.feel(volts).mode is None


def test_a_row_pulsed_twice_at_once_takes_both_in_order(parts: Catalogue) -> None:
    part = parts.get("st-m27c256b")
    state = Chip(part).feel(volts_for(part, Mode.PROGRAM))
    assert state.does is Does.PROGRAM
    assert state.vpp_v == 12.75
    together, apart = Chip(part, 2), Chip(part, 2)
    rows, words = np.array([5, 6, 5, 5], dtype=np.uint32), np.array([0xF0, 0, 0x0F, 0xF0], dtype=np.uint16)
    together.pulse(state, rows, words, 5e-6)
    for index in range(4):
        apart.pulse(state, rows[index : index + 1], words[index : index + 1], 5e-6)
    every = np.arange(16, dtype=np.uint32)
    assert np.array_equal(together.cells.thresholds_mv(every), apart.cells.thresholds_mv(every))
    assert together.cells.thresholds_mv(every)[5].min() > 2500


def test_the_die_answers_within_its_grade_unless_it_is_a_slow_one(parts: Catalogue) -> None:
    part = parts.get("st-m27c256b")
    times = {Chip(part, seed).access_ns for seed in range(8)}
    assert len(times) > 1
    assert all(part.slowest_access_ns / 2 < value < part.slowest_access_ns for value in times)
    assert Chip(part, access_ns=400.0).access_ns == 400.0


def test_a_remarked_chip_is_what_it_is(parts: Catalogue) -> None:
    chip = Chip(parts.get("st-m27c256b"), label="M27C512")
    assert chip.label == "M27C512"
    assert chip.part.words == 32768


def test_protection_diodes(parts: Catalogue) -> None:
    part = parts.get("st-m27c1001")
    diodes = set(Chip(part).diodes)
    ground, vcc = part.pin_number("GND"), part.pin_number("VCC")
    assert (ground, vcc) in diodes
    assert {(ground, part.pin_number("D0")), (part.pin_number("D0"), vcc)} <= diodes
    assert (ground, part.pin_number("VPP")) in diodes
    assert (part.pin_number("VPP"), vcc) not in diodes
    assert (part.pin_number("A9"), vcc) not in diodes
    assert not [pair for pair in diodes if part.pin_number("NC") in pair]
