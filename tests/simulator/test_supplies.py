"""Supplies in virtual time, against the textbook's capacitor: v(t) = v1 + (v0 - v1) exp(-t / RC)."""

import math

import pytest

from protocol.identity import SupplyRange
from protocol.wire import SupplyKind
from simulator.supplies import Supplies, Supply, SupplyDesign, SupplyName, SupplyTrouble

VPP = SupplyRange(SupplyKind.ADJUSTABLE, 5000, 21000, 50, 100, 60)


def make(kind: SupplyRange = VPP, trouble: SupplyTrouble | None = None, **design: float) -> Supply:
    return Supply(SupplyDesign(kind, rise_s=0.001, fall_s=0.010, **design), trouble)  # type: ignore[arg-type]


def test_it_rises_and_falls_like_a_capacitor() -> None:
    supply = make()
    supply.set_mv(12000, 1.0)
    # One time constant: 63.2 % of the way, five: 99.3 % (any textbook on RC circuits).
    assert supply.voltage_v(1.001) == pytest.approx(12 * 0.6321, rel=1e-3)
    assert supply.voltage_v(1.005) == pytest.approx(12 * 0.9933, rel=1e-3)
    assert supply.voltage_v(2.0) == 12.0
    supply.set_mv(0, 2.0)
    assert supply.voltage_v(2.010) == pytest.approx(12 * 0.3679, rel=1e-3)
    at_s = supply.below_s(0.5, 2.0)
    assert at_s == pytest.approx(2.0 + 0.010 * math.log(24))
    assert supply.voltage_v(at_s) == pytest.approx(0.5)


def test_from_one_value_to_another_it_does_not_jump() -> None:
    supply = make()
    supply.set_mv(12000, 0.0)
    before = supply.voltage_v(0.0007)
    supply.set_mv(6000, 0.0007)
    assert supply.voltage_v(0.0007) == pytest.approx(before)


def test_what_each_kind_gives() -> None:
    fixed = make(SupplyRange(SupplyKind.FIXED, 5000, 5000, 0, 250, 200))
    fixed.set_mv(4800, 0.0)
    assert fixed.voltage_v(1.0) == 5.0
    by_hand = make(SupplyRange(SupplyKind.HAND_SET, 11000, 14000, 0, 100, 60))
    by_hand.turn(13.1, 0.0)
    by_hand.set_mv(12500, 0.0)
    assert by_hand.voltage_v(1.0) == 13.1
    absent = make(SupplyRange())
    absent.set_mv(5000, 0.0)
    assert absent.voltage_v(1.0) == 0.0
    stepped = make()
    stepped.set_mv(12730, 0.0)
    assert stepped.voltage_v(1.0) == 12.75


def test_a_hand_set_value_is_measured_ahead_of_its_switch() -> None:
    supply = make(SupplyRange(SupplyKind.HAND_SET, 11000, 14000, 0, 100, 60), adc_step_mv=25)
    supply.turn(12.51, 0.0)
    assert supply.measured_mv(0.0) == 0
    assert supply.standing_mv() == 12500


def test_measuring_has_an_error_and_a_step() -> None:
    supply = make(adc_step_mv=20, adc_error=0.01)
    supply.set_mv(12000, 0.0)
    assert supply.measured_mv(1.0) == 12120
    assert make(adc_step_mv=0).measured_mv(1.0) is None


def test_troubles_weak_sagging_drifting() -> None:
    weak = make(trouble=SupplyTrouble(ceiling_v=11.0))
    weak.set_mv(12750, 0.0)
    assert weak.voltage_v(1.0) == 11.0
    sagging = make(trouble=SupplyTrouble(source_ohm=40))
    sagging.set_mv(12000, 0.0)
    assert sagging.voltage_v(1.0, load_ma=30) == pytest.approx(12 - 1.2)
    drifting = make(trouble=SupplyTrouble(drift_v_per_s=-0.1, drift_after_s=2.0))
    drifting.set_mv(12000, 0.0)
    assert drifting.voltage_v(2.0) == pytest.approx(12.0)
    assert drifting.voltage_v(4.0) == pytest.approx(11.8)
    assert drifting.leaves_band_s(11.75, 12.25, 1.0) == pytest.approx(4.5)
    assert drifting.leaves_band_s(11.75, 12.25, 3.0) == pytest.approx(4.5)
    assert drifting.leaves_band_s(11.9, 12.25, 4.0) == 4.0


@pytest.mark.parametrize("speed", [0.3, -0.3])
def test_the_time_out_of_band_is_when_the_voltage_gets_there(speed: float) -> None:
    supply = make(trouble=SupplyTrouble(drift_v_per_s=speed, drift_after_s=0.5), adc_error=0.002)
    supply.set_mv(12000, 0.0)
    at_s = supply.leaves_band_s(11.8, 12.2, 0.1)
    for early_s, inside in ((-0.01, True), (0.01, False)):
        measured_v = supply.voltage_v(at_s + early_s) * 1.002
        assert (11.8 <= measured_v <= 12.2) is inside


def test_all_supplies_together() -> None:
    vcc = make(SupplyRange(SupplyKind.ADJUSTABLE, 3000, 7000, 50, 50, 200))
    supplies = Supplies(vcc, make(), make())
    assert supplies.discharged(0.0)
    supplies.vcc.set_mv(5000, 0.0)
    supplies.named(SupplyName.VPP).set_mv(12000, 0.0)
    assert supplies.on
    assert not supplies.discharged(1.0)
    assert supplies.discharged_s(1.0) == math.inf
    supplies.cut(1.0)
    assert not supplies.on
    at_s = supplies.discharged_s(1.0)
    assert not supplies.discharged(at_s - 0.001)
    assert supplies.discharged(at_s + 1e-9)
