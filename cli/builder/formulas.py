"""The few formulas that the levels of a homebrew programmer follow from, each with its textbook.

Values are in volts, ohms, amperes, farads, henries, hertz and seconds. The sections of textbooks are named
from memory; the formulas themselves are checked against figures computed otherwise.
"""

import math

from daemon.errors import BenchError, Code

ART = "P. Horowitz, W. Hill, The Art of Electronics, 3rd edition, 2015"
POWER = "R. W. Erickson, D. Maksimović, Fundamentals of Power Electronics, 2nd edition, 2001"


def divider_v(input_v: float, top_ohm: float, bottom_ohm: float) -> float:
    """Return the unloaded output of a divider (Art of Electronics, 1.2.3)."""
    return input_v * bottom_ohm / (top_ohm + bottom_ohm)


def parallel_ohm(one_ohm: float, other_ohm: float) -> float:
    """Return two resistances in parallel, as a divider's load sees it (Art of Electronics, 1.2.5)."""
    return one_ohm * other_ohm / (one_ohm + other_ohm)


def regulator_v(
    reference_v: float, upper_ohm: float, lower_ohm: float, adjust_a: float, *, lower_has_reference: bool
) -> float:
    """Return the output of an adjustable regulator, by its reference and two resistors.

    `lower_has_reference`: the reference stands across the lower resistor (boost converters and most switching
    regulators), else across the upper one (three-terminal regulators), whose adjust current then flows
    through the lower one (data sheets of adjustable three-terminal regulators: 1.25 V, 50 µA).
    """
    if lower_has_reference:
        return reference_v * (1 + upper_ohm / lower_ohm)
    return reference_v * (1 + lower_ohm / upper_ohm) + adjust_a * lower_ohm


def boost_duty(input_v: float, output_v: float, diode_v: float) -> float:
    """Return the share of each period in which a boost converter's switch conducts.

    M = 1 / (1 - D) as long as the inductor's current has no gaps; the diode's drop counts with the output
    (Fundamentals of Power Electronics, chapter 2). Raises BenchError `request-invalid`.
    """
    if not 0 < input_v < output_v + diode_v:
        raise BenchError(
            Code.REQUEST_INVALID,
            f"a boost converter does not make {output_v:g} V of {input_v:g} V",
            hint="Its output is above its input.",
        )
    return 1 - input_v / (output_v + diode_v)


def inductor_ripple_a(input_v: float, duty: float, inductor_h: float, frequency_hz: float) -> float:
    """Return the peak-to-peak current ripple in the inductor (Fundamentals, chapter 2: V = L di/dt)."""
    return input_v * duty / (inductor_h * frequency_hz)


def boost_inductor_a(output_a: float, duty: float, efficiency: float) -> float:
    """Return the mean current of the inductor, which is that of the input (Fundamentals, chapter 2)."""
    return output_a / (1 - duty) / efficiency


def output_ripple_v(output_a: float, duty: float, farad: float, frequency_hz: float) -> float:
    """Return a boost converter's output ripple, peak to peak, by its capacitor (chapter 2)."""
    return output_a * duty / (farad * frequency_hz)


def discharge_s(from_v: float, to_v: float, ohm: float, farad: float) -> float:
    """Return the time of a capacitor through a resistor, t = R C ln(V0 / V) (Art of Electronics, 1.4.2)."""
    return 0.0 if to_v >= from_v else ohm * farad * math.log(from_v / to_v)


def bleeder_ohm(from_v: float, to_v: float, within_s: float, farad: float) -> float:
    """Return the largest bleeder that discharges a capacitor in time (Art of Electronics, 1.4.2)."""
    return within_s / (farad * math.log(from_v / to_v))


def base_ohm(drive_v: float, base_v: float, collector_a: float, forced_gain: float) -> float:
    """Return the base resistor that saturates a transistor switch (Art of Electronics, 2.2.1)."""
    return (drive_v - base_v) / (collector_a / forced_gain)


def series_ohm(supply_v: float, drop_v: float, current_a: float) -> float:
    """Return the resistor in series with an LED, or with anything that takes a fixed voltage (Ohm's law)."""
    return (supply_v - drop_v) / current_a


def limit_a(base_v: float, sense_ohm: float) -> float:
    """Return where a transistor across a sense resistor begins to limit (Art of Electronics, 9.13.1)."""
    return base_v / sense_ohm


def uart_baud(clock_hz: float, divider: int, samples: int) -> float:
    """Return a UART's speed, f / (samples (divider + 1)) (ATmega2560 data sheet, table 22-1)."""
    return clock_hz / (samples * (divider + 1))
