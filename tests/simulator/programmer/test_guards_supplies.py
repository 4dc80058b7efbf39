"""What the device guards at its supplies: D21 and D25 to D30 of `SPEC.md`."""

from dataclasses import replace

import pytest

from protocol.messages import (
    ClearFault,
    Nothing,
    Range,
    Read,
    Supply,
)
from protocol.wire import (
    Fault,
    Level,
    Mode,
    Opcode,
    Status,
    SupplyAction,
)
from simulator.programmer import modest
from simulator.supplies import SupplyName, SupplyTrouble
from tests.support.device_rig import Got, Rig, make_part


@pytest.mark.parametrize(
    ("vcc_mv", "vpp_mv", "status"),
    [
        (0, 12750, Status.WRONG_STATE),
        (6250, 14000, Status.LIMIT),  # 100 mV of the board's tolerance above the part's 14.0 V
        (6250, 13900, Status.OK),
        (6250, 4900, Status.LIMIT),
        (4100, 0, Status.LIMIT),
        (4200, 0, Status.OK),
        (6250, 0, Status.OK),
        (6300, 0, Status.LIMIT),
        (0, 0, Status.OK),
    ],
)
def test_d25_what_may_be_applied(vcc_mv: int, vpp_mv: int, status: Status) -> None:
    rig = Rig()
    rig.hello()
    rig.set_up()
    assert rig.apply(vcc_mv, vpp_mv).status is status
    if status is not Status.OK:
        assert rig.rails.vcc_v == 0.0, "nothing has changed"


def test_d25_vcc_settles_before_vpp_rises_and_falls_after_it() -> None:
    rig = Rig()
    rig.hello()
    rig.set_up()
    trace: list[tuple[float, float]] = []

    def watch(duration_s: float) -> None:
        end_s = rig.now_s + duration_s
        while rig.now_s < end_s:
            rig.now_s += 0.0001
            rig.collect()
            rails = rig.rails
            trace.append((rails.vcc_v, rails.vpp_v))

    rig.request(Opcode.SUPPLY, Supply(SupplyAction.APPLY, 6250, 12750))
    watch(0.1)
    assert all(vpp == 0.0 or abs(vcc - 6.25) <= 0.25 for vcc, vpp in trace)
    assert trace[-1] == (6.25, 12.75)
    trace.clear()
    rig.request(Opcode.SUPPLY, Supply(SupplyAction.APPLY, 5000, 0))
    watch(0.1)
    assert all(vpp < 0.5 or vcc > 6.0 for vcc, vpp in trace), "VPP first, then VCC is lowered"
    rig.apply(6250, 12750)
    trace.clear()
    rig.request(Opcode.SUPPLY, Supply(SupplyAction.DISCHARGE, 0, 0))
    watch(0.1)
    assert all(vpp <= vcc + 0.01 or vcc > 6.0 for vcc, vpp in trace), "never VPP without VCC"
    assert max(trace[-1]) <= 0.5


def test_d25_measured_values_are_reported() -> None:
    rig = Rig()
    rig.hello()
    rig.set_up()
    measured = rig.apply().detail
    assert (measured.vcc_mv, measured.vpp_mv, measured.id_mv) == (6250, 12750, 0)
    assert rig.run(Opcode.MEASURE, Nothing()).detail == measured


@pytest.mark.parametrize(
    ("name", "ceiling_v", "fault"),
    [
        (SupplyName.VCC, 5.8, Fault.VCC_OUT_OF_TOLERANCE),
        (SupplyName.VPP, 12.0, Fault.VPP_OUT_OF_TOLERANCE),
    ],
)
def test_d25_a_supply_out_of_tolerance_is_taken_off(name: SupplyName, ceiling_v: float, fault: Fault) -> None:
    rig = Rig(troubles={name: SupplyTrouble(ceiling_v=ceiling_v)})
    rig.hello()
    rig.set_up()
    result = rig.apply()
    assert (result.status, result.answer.faults) == (Status.SUPPLY_OUT_OF_TOLERANCE, fault)
    shown = result.detail.vcc_mv if name is SupplyName.VCC else result.detail.vpp_mv
    assert shown == ceiling_v * 1000
    assert rig.off
    assert rig.apply().status is Status.FAULTED
    assert rig.run(Opcode.CLEAR_FAULT, ClearFault(fault)).status is Status.OK
    assert rig.device.faults is Fault.NONE


@pytest.mark.parametrize(
    ("loads_ma", "fault"),
    [((400.0, 0.0), Fault.VCC_OVER_CURRENT), ((10.0, 200.0), Fault.VPP_OVER_CURRENT)],
)
def test_d21_over_current_takes_all_off(loads_ma: tuple[float, float], fault: Fault) -> None:
    rig = Rig()
    rig.bus.loads_ma = loads_ma
    rig.hello()
    rig.set_up()
    begun_s = rig.now_s
    result = rig.apply()
    assert (result.status, result.answer.faults) == (Status.OVER_CURRENT, fault)
    assert rig.off
    assert rig.now_s - begun_s < 0.1


def by_hand_rig() -> Rig:
    """A modest board with a part that it can handle."""
    rig = Rig(modest())
    rig.hello()
    part = make_part(
        address_pins=(12, 11, 10, 9, 8, 7, 6, 5, 27, 26, 23),
        data_pins=(13, 14, 15, 17, 18, 19, 20, 21),
        control_pins=(22, 24),
        vcc_pins=(30,),
        ground_pins=(16,),
        signature=None,
    )
    assert rig.set_up(replace(part, supplies=replace(part.supplies, vcc_program_mv=5000))).status is Status.OK
    return rig


def confirm(rig: Rig, vcc_mv: int, vpp_mv: int) -> Got:
    return rig.run(Opcode.SUPPLY, Supply(SupplyAction.CONFIRM, vcc_mv, vpp_mv))


def test_d26_a_fixed_supply_takes_only_its_own_value() -> None:
    rig = by_hand_rig()
    assert rig.apply(5000, 0).status is Status.OK
    assert rig.apply(4750, 0).status is Status.OK
    assert rig.apply(4700, 0).status is Status.LIMIT


def test_d26_a_hand_set_supply_wants_to_be_confirmed_in_this_session() -> None:
    rig = by_hand_rig()
    assert rig.apply(5000, 12500).status is Status.NEEDS_CONFIRMATION
    rig.device.turn_trimmer(SupplyName.VPP, 12.5, rig.now_s)
    shown = confirm(rig, 5000, 12500)
    assert (shown.status, shown.detail.vcc_mv, shown.detail.vpp_mv) == (Status.OK, 0xFFFF, 12500)
    assert rig.rails.vpp_v == 0.0, "confirming switches nothing on"
    assert rig.apply(5000, 12750).status is Status.NEEDS_CONFIRMATION
    assert rig.apply(5000, 12500).detail.vpp_mv == 12500
    rig.hello()
    rig.advance(0.2)
    rig.take_over(rig.frames)
    assert rig.apply(5000, 12500).status is Status.NEEDS_CONFIRMATION


def test_d26_a_wrong_trimmer_is_measured_and_refused() -> None:
    rig = by_hand_rig()
    rig.device.turn_trimmer(SupplyName.VPP, 13.4, rig.now_s)
    assert confirm(rig, 5000, 12750).detail.vpp_mv == 13400
    result = rig.apply(5000, 12750)
    assert (result.status, result.answer.faults) == (
        Status.SUPPLY_OUT_OF_TOLERANCE,
        Fault.VPP_OUT_OF_TOLERANCE,
    )
    assert rig.off


def test_d27_discharge_is_never_refused_and_ends_below_half_a_volt() -> None:
    rig = Rig()
    rig.hello()
    discharge = Supply(SupplyAction.DISCHARGE, 0, 0)
    assert rig.run(Opcode.SUPPLY, discharge).status is Status.OK, "without a part"
    rig.set_up()
    rig.apply()
    before_s = rig.now_s
    assert rig.run(Opcode.SUPPLY, discharge).status is Status.OK
    assert rig.off
    assert 0.0 < rig.now_s - before_s < 0.1


@pytest.mark.parametrize("opcode", [Opcode.READ, Opcode.BLANK, Opcode.DIGEST])
def test_d28_the_named_vcc_must_be_set(opcode: Opcode) -> None:
    rig = Rig()
    rig.ready(vcc_mv=5000, vpp_mv=0)

    def at(vcc_mv: int) -> Status:
        message = (
            Read(0, 4, Mode.READ, vcc_mv, 4) if opcode is Opcode.READ else Range(0, 4, Mode.READ, vcc_mv)
        )
        return rig.run(opcode, message).status

    assert at(5000) is Status.OK
    assert at(4200) is Status.SUPPLY_NOT_SET
    rig.apply(4200, 0)
    assert at(5000) is Status.SUPPLY_NOT_SET
    assert at(4200) is Status.OK


@pytest.mark.parametrize("mode", [mode for mode in Mode if mode not in (Mode.READ, Mode.VERIFY)])
def test_d29_a_read_never_pulses_nor_lifts_a_pin(mode: Mode) -> None:
    rig = Rig()
    rig.ready(make_part(modes={**make_part().modes, Mode.SIGNATURE: (Level.LOW, Level.ID)}))
    rig.bus.seen_rails.clear()
    for opcode, message in (
        (Opcode.READ, Read(0, 4, mode, 6250, 4)),
        (Opcode.BLANK, Range(0, 4, mode, 6250)),
        (Opcode.DIGEST, Range(0, 4, mode, 6250)),
    ):
        assert rig.run(opcode, message).status is Status.CANNOT
    assert rig.bus.seen_rails == []


def test_d29_the_id_voltage_is_on_for_identify_only_and_after_a_look() -> None:
    rig = Rig()
    rig.ready(vcc_mv=5000, vpp_mv=0)
    assert rig.run(Opcode.IDENTIFY, Nothing()).status is Status.WRONG_STATE
    assert all(rails.id_v == 0.0 for _, rails in rig.bus.seen_rails)
    rig.run(Opcode.BLANK, Range(0, 16, Mode.READ, 5000))
    result = rig.run(Opcode.IDENTIFY, Nothing())
    assert (result.detail.maker, result.detail.device) == (0x20, 0x3D)
    rig.run(Opcode.READ, Read(0, 16, Mode.READ, 5000, 16))
    lifted = {mode for mode, rails in rig.bus.seen_rails if rails.id_v > 0.5}
    assert lifted == {Mode.SIGNATURE}
    assert rig.rails.id_v <= 0.5
    rig.run(Opcode.SUPPLY, Supply(SupplyAction.DISCHARGE, 0, 0))
    rig.set_up()
    rig.apply(5000, 0)
    assert rig.run(Opcode.IDENTIFY, Nothing()).status is Status.WRONG_STATE, (
        "a look at this part, since SETUP"
    )
