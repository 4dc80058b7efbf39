"""What a wrong way of reading would do to a chip, judged from the pin tables of the facts file, section 5."""

import pytest

from daemon.drawer.hazards import Severity, hazards, worst
from daemon.drawer.sight import Sight, fits_marking, narrow
from daemon.drawer.trials import Feed, trials_for
from daemon.programmers.fitting import describe, fit_directly
from protocol.descriptor import LoopKind
from protocol.wire import Level
from tests.support.identities import FULL
from tests.support.virtual_bench import PARTS


def trials(pins, window=None):
    return {
        trial.key: trial for trial in trials_for(each.part for each in narrow(PARTS, Sight(pins, window)))
    }


@pytest.mark.parametrize("pins", [24, 28, 32, 40, 42])
def test_a_trial_can_do_nothing_but_read_at_the_supply(pins):
    for trial in trials(pins).values():
        descriptor = describe(fit_directly(trial.part, FULL), FULL)
        assert descriptor.loop.kind is LoopKind.NONE
        assert descriptor.signature is None
        assert not descriptor.sequences
        assert descriptor.supplies.vpp_program_mv == descriptor.supplies.id_mv == 0
        used = {level for levels in descriptor.modes.values() for level in levels}
        assert not used & {Level.VPP, Level.ID, Level.PULSE_LOW, Level.PULSE_HIGH}


@pytest.mark.parametrize("pins", [24, 28, 32, 40, 42])
def test_no_part_is_hurt_by_the_way_in_which_it_is_read_itself(pins):
    for trial in trials(pins).values():
        for part in trial.members:
            # A member's idle output may be driven alike in another's table: it rests.
            assert all(found.severity < Severity.CONFLICT for found in hazards(trial, part))


def test_a_1_mbit_rom_in_28_pins_would_write_to_a_28c256():
    # 23C1000 has A16 on pin 22 and A14 on pin 27, where a 28C256 has /OE and /WE.
    found = hazards(trials(28)["dip28_23c1000"], PARTS.get("atmel-at28c256"))
    assert found[0].severity is Severity.FORBIDDEN
    assert "/WE (pin 27)" in found[0].words


def test_output_enable_held_low_keeps_a_write_enable_from_writing():
    # A 27512 has A14 on pin 27 = /WE of a 28C256, but /OE on pin 22 stays low.
    assert all(
        found.severity < Severity.CONFLICT
        for found in hazards(trials(28)["dip28_27512"], PARTS.get("atmel-at28c256"))
    )


def test_vcc_on_the_ready_output_of_a_28c64_comes_late():
    # Pin 1: VPP of a 27256, at VCC while it is read; RDY/BUSY of an AT28C64.
    found = hazards(trials(28)["dip28_27256"], PARTS.get("atmel-at28c64"))
    assert (found[0].severity, found[0].pin) == (Severity.SUPPLY_ON_RESTING, 1)


def test_two_families_in_40_pins_fight():
    # 27C400: D11 on pin 20, where a 27C1024 has /OE; its VCC is pin 21, the other's pin 40.
    severity, part, found = worst(trials(40)["dip40_27c1024"], [PARTS.get("st-m27c400")])
    assert severity is Severity.CONFLICT
    assert part is not None
    assert {20, 21} <= {each.pin for each in found}


def test_a_chip_for_less_than_5_v_never_gets_5_v():
    # SST39VF040: VDD at most 4.0 V absolute is never to meet a 5 V read (its sheet: 2.7 to 3.6 V).
    part = PARTS.get("sst-39vf040")
    trial = next(t for t in trials(32).values() if PARTS.get("sst-39sf040") in t.members)
    assert hazards(trial, part)[0].severity is Severity.FORBIDDEN


def test_idle_pins_are_held_high_and_busy_outputs_left_open():
    assert trials(28, window=True)["dip28_2764"].drives[26].feed is Feed.HIGH
    assert trials(28)["dip28_28c64"].drives[1].feed is Feed.OPEN


@pytest.mark.parametrize(
    ("marking", "part_id", "fits"),
    [
        ("M27C512-15F1", "st-m27c512", True),
        ("27C512", "st-m27c512", True),
        ("C512", "st-m27c512", True),
        ("27C256", "st-m27c512", False),
        ("12", "st-m27c512", False),
        (None, "st-m27c512", False),
    ],
)
def test_markings(marking, part_id, fits):
    assert fits_marking(PARTS.get(part_id), marking) is fits


def test_a_whole_name_is_no_scrap_of_a_longer_one():
    marked = {each.part.id for each in narrow(PARTS, Sight(40, True, "27C400")) if each.marked}
    assert "st-m27c400" in marked
    assert not marked & {"st-m27c4002", "amd-am27c4096"}


def test_with_a_window_only_uv_eproms_are_left():
    assert {each.part.kind.value for each in narrow(PARTS, Sight(28, True))} == {"uv-eprom"}
    plastic = narrow(PARTS, Sight(28, False))
    assert all(each.one_time for each in plastic if each.part.kind.value == "uv-eprom")
