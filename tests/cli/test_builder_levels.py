"""The levels of a homebrew programmer against figures that come from elsewhere."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from typer.testing import Result

from cli.builder import formulas, levels
from cli.builder.quantity import parse_quantity, show_quantity
from cli.exit_codes import Exit
from daemon.errors import BenchError


@pytest.mark.parametrize(
    ("text", "value"),
    [("4.7k", 4700), ("100n", 1e-7), ("22u", 22e-6), ("22µ", 22e-6), ("1M", 1e6), ("0", 0), ("12.75", 12.75)],
)
def test_values_as_people_write_them(text: str, value: float) -> None:
    assert parse_quantity(text) == pytest.approx(value)


@pytest.mark.parametrize("text", ["", "k", "-1", "4k7", "nan", "inf", "1e99", "1 2"])
def test_what_is_no_value(text: str) -> None:
    with pytest.raises(ValueError, match=r".*"):
        parse_quantity(text)


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (4700, "Ω", "4.7 kΩ"),
        (0.0157, "A", "15.7 mA"),
        (0, "V", "0 V"),
        (12.75, "V", "12.75 V"),
        (2.2e-5, "F", "22 µF"),
        (999.96, "Ω", "1 kΩ"),
    ],
)
def test_values_are_shown_with_a_prefix(value: float, unit: str, shown: str) -> None:
    assert show_quantity(value, unit) == shown


def test_a_divider_by_kirchhoff() -> None:
    """Two equations for two currents, solved by numpy."""
    top, bottom, volts = 47e3, 10e3, 26.0
    # i_top - i_bottom = 0; top i_top + bottom i_bottom = volts.
    _, current = np.linalg.solve([[1, -1], [top, bottom]], [0, volts])
    found = levels.divider(volts, top, bottom, tolerance=0.01, full_v=5.0)
    assert found.value("output") == pytest.approx(current * bottom)
    assert found.value("current") == pytest.approx(current)
    assert found.trouble == ""
    # A source of `output` behind the source resistance gives the same into any load.
    load = 3300.0
    with_load = volts * (bottom * load / (bottom + load)) / (top + bottom * load / (bottom + load))
    behind = found.value("output") * load / (load + found.value("source resistance"))
    assert behind == pytest.approx(with_load)
    assert "its full scale is 4.6 V" in levels.divider(volts, top, bottom, tolerance=0.01, full_v=4.6).trouble


def test_a_three_terminal_regulator() -> None:
    """Nearly 5 V from 240 Ω and 720 Ω, 12 V from 240 Ω and 2.064 kΩ: 1.25 V (1 + R2 / R1), by hand."""
    five = levels.regulator(1.25, 240, 720, 0.0, lower_has_reference=False)
    assert five.value("output") == pytest.approx(5.0)
    twelve = levels.regulator(1.25, 240, 2064, 50e-6, lower_has_reference=False)
    assert twelve.value("output") == pytest.approx(12.0 + 2064 * 50e-6)


def test_a_regulator_with_a_feedback_pin() -> None:
    """At its output the divider puts the reference on the feedback pin."""
    found = levels.regulator(1.23, 94e3, 10e3, 0, lower_has_reference=True)
    output_v = found.value("output")
    assert formulas.divider_v(output_v, 94e3, 10e3) == pytest.approx(1.23)


def test_a_bleeder_by_integration() -> None:
    """dV/dt = -V / (R C), integrated until 0.5 V."""
    ohm, farad, volts = 2200.0, 22e-6, 13.0

    def at_half_a_volt(_t: float, v: np.ndarray) -> float:
        return float(v[0]) - 0.5

    at_half_a_volt.terminal = True  # type: ignore[attr-defined]
    solved = solve_ivp(
        lambda _t, v: -v / (ohm * farad), (0, 1), [volts], events=at_half_a_volt, rtol=1e-9, atol=1e-9
    )
    found = levels.discharge(volts, ohm, farad)
    assert found.value("time to 0.5 V") == pytest.approx(solved.t_events[0][0], rel=1e-6)
    again = levels.discharge(volts, found.value("largest bleeder for 0.5 s"), farad)
    assert again.value("time to 0.5 V") == pytest.approx(0.5)
    assert levels.discharge(volts, 10e3, farad).trouble


def test_a_boost_converter_switched_in_small_steps() -> None:
    """Inductor, ideal switch, diode of 0.4 V, capacitor and load, step by step until all is steady."""
    input_v, output_v, load_a, inductor_h, farad, hertz = 5.0, 13.0, 0.1, 330e-6, 22e-6, 100e3
    found = levels.boost(
        input_v, output_v, load_a, inductor_h, hertz, farad=farad, diode_v=0.4, efficiency=1.0
    )
    duty, ohm = found.value("duty") / 100, output_v / load_a
    steps = 200
    step_s = 1 / hertz / steps
    amps, volts, currents, outputs = load_a / (1 - duty), output_v, [], []
    for period in range(1500):
        for step in range(steps):
            on = step < round(duty * steps)
            across = input_v if on else input_v - volts - 0.4
            flow = 0.0 if on else amps
            amps += across / inductor_h * step_s
            volts += (flow - volts / ohm) / farad * step_s
            if period >= 1400:
                currents.append(amps)
                outputs.append(volts)
    assert np.mean(outputs) == pytest.approx(output_v, rel=0.02)
    assert np.mean(currents) == pytest.approx(found.value("mean current of inductor and input"), rel=0.03)
    assert np.ptp(currents[-steps:]) == pytest.approx(found.value("ripple of that current"), rel=0.03)
    assert max(currents) == pytest.approx(found.value("peak current of switch and inductor"), rel=0.03)
    assert np.ptp(outputs[-steps:]) == pytest.approx(found.value("ripple of the output"), rel=0.05)


def test_a_boost_converter_that_has_gaps_or_cannot_be() -> None:
    light = levels.boost(5, 13, 0.01, 100e-6, 100e3, farad=22e-6, diode_v=0.4, efficiency=0.8)
    assert "gaps" in light.trouble
    with pytest.raises(BenchError, match="does not make 3 V of 5 V"):
        levels.boost(5, 3, 0.01, 100e-6, 100e3, farad=22e-6, diode_v=0.4, efficiency=0.8)


@pytest.mark.parametrize(
    ("wanted", "error_percent"),
    # ATmega2560 data sheet, table 22-12, examples at 16 MHz with the better of U2X 0 and 1 (from memory).
    [(9600, 0.2), (38400, 0.2), (57600, -0.8), (115200, 2.1), (250000, 0.0), (500000, 0.0), (1000000, 0.0)],
)
def test_speeds_of_a_16_mhz_controller(wanted: float, error_percent: float) -> None:
    found = levels.baud(16e6, wanted)
    assert round(found.value("error"), 1) == pytest.approx(error_percent)
    assert found.trouble == ""


def test_a_speed_that_is_too_far_off() -> None:
    assert "2.5% off" in levels.baud(16e6, 230400).trouble  # -3.5 % in the same table


def test_switches_and_limits() -> None:
    """Ohm's law by hand: 4.3 V at 2 mA, 3 V at 5 mA, 0.6 V across 10 Ω, 1 µA through 10 kΩ."""
    assert levels.base_resistor(5, 0.02, base_v=0.7, forced_gain=10).value("base resistor") == pytest.approx(
        2150
    )
    assert levels.led(5, 0.005, drop_v=2).value("resistor") == pytest.approx(600)
    assert levels.current_limit(10, base_v=0.6, supply_v=13).value("limit") == pytest.approx(0.06)
    held = levels.pull_down(10e3, leak_a=1e-6, threshold_v=0.5, drive_v=5)
    assert held.value("voltage in reset") == pytest.approx(0.01)
    assert levels.pull_down(1e6, leak_a=1e-6, threshold_v=0.5, drive_v=5).trouble


def test_trouble_ends_with_1_and_a_wrong_value_with_2(invoke: Callable[..., Result]) -> None:
    good = invoke("levels", "discharge", "--volts", "13", "--ohm", "2.2k", "--farad", "22u")
    assert (good.exit_code, "157.7 ms" in good.stdout) == (Exit.DONE, True)
    slow = invoke("levels", "discharge", "--volts", "13", "--ohm", "22k", "--farad", "22u", "--json")
    assert (slow.exit_code, '"trouble": "a discharge may take 0.5 s"' in slow.stdout) == (Exit.NEGATIVE, True)
    wrong = invoke("levels", "led", "--supply", "x", "--current", "5m")
    assert wrong.exit_code == Exit.USAGE
