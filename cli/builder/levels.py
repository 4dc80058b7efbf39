"""Levels of a circuit with what follows from them: results for people, each with its formula and source."""

import itertools
from dataclasses import dataclass

from cli.builder import formulas
from cli.builder.formulas import ART, POWER

DISCHARGED_V = 0.5
"""Where a supply counts as off (`SPEC.md` D27)."""
DISCHARGE_S = 0.5
"""The longest a discharge may take (`SPEC.md` section 9)."""
BAUD_LIMIT = 0.025
"""A receiver that samples in the middle of ten bits stands about 5 % of error, shared by both ends; common
practice, no source."""
_HOLD_OFF_MARGIN = 0.5


@dataclass(frozen=True, slots=True)
class Figure:
    """One result: its name, value and unit."""

    name: str
    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class Levels:
    """What came of a computation. `trouble`: what is wrong with the circuit, "" if nothing is."""

    figures: tuple[Figure, ...]
    formula: str
    source: str
    trouble: str = ""

    def value(self, name: str) -> float:
        """Return the figure called `name`. Raises KeyError when there is none."""
        for each in self.figures:
            if each.name == name:
                return each.value
        raise KeyError(name)


def divider(input_v: float, top_ohm: float, bottom_ohm: float, *, tolerance: float, full_v: float) -> Levels:
    """Return a divider in front of an analogue input whose full scale is `full_v`.

    `tolerance` is that of each resistor, as a fraction.
    """
    corners = [
        formulas.divider_v(input_v, top_ohm * (1 + one * tolerance), bottom_ohm * (1 + other * tolerance))
        for one, other in itertools.product((-1, 1), repeat=2)
    ]
    output_v = formulas.divider_v(input_v, top_ohm, bottom_ohm)
    most_v = full_v * (top_ohm + bottom_ohm) / bottom_ohm
    return Levels(
        (
            Figure("output", output_v, "V"),
            Figure("lowest output", min(corners), "V"),
            Figure("highest output", max(corners), "V"),
            Figure("source resistance", formulas.parallel_ohm(top_ohm, bottom_ohm), "Ω"),
            Figure("current", input_v / (top_ohm + bottom_ohm), "A"),
            Figure("input at full scale", most_v, "V"),
            Figure("step of a 10-bit converter", most_v / 1024, "V"),
        ),
        "output = input × bottom / (top + bottom)",
        f"{ART}, 1.2.3",
        f"the input may see {max(corners):.3g} V, its full scale is {full_v:g} V"
        if max(corners) > full_v
        else "",
    )


def regulator(
    reference_v: float, upper_ohm: float, lower_ohm: float, adjust_a: float, *, lower_has_reference: bool
) -> Levels:
    """Return the output of an adjustable regulator."""
    output_v = formulas.regulator_v(
        reference_v, upper_ohm, lower_ohm, adjust_a, lower_has_reference=lower_has_reference
    )
    if lower_has_reference:
        formula, current_a = "output = reference × (1 + upper / lower)", reference_v / lower_ohm
        source = "data sheets of switching regulators with a feedback pin"
    else:
        formula = "output = reference × (1 + lower / upper) + adjust current × lower"
        current_a = reference_v / upper_ohm
        source = "data sheets of adjustable three-terminal regulators"
    figures = (Figure("output", output_v, "V"), Figure("current in the divider", current_a, "A"))
    return Levels(figures, formula, source)


def boost(
    input_v: float, output_v: float, output_a: float, inductor_h: float, frequency_hz: float, *,
    farad: float, diode_v: float, efficiency: float,
) -> Levels:  # fmt: skip
    """Return how a boost converter works at one load. Raises BenchError `request-invalid` when it cannot."""
    duty = formulas.boost_duty(input_v, output_v, diode_v)
    ripple_a = formulas.inductor_ripple_a(input_v, duty, inductor_h, frequency_hz)
    mean_a = formulas.boost_inductor_a(output_a, duty, efficiency)
    gaps = ripple_a / 2 > mean_a
    trouble = "the current has gaps at this load: the duty is then smaller" if gaps else ""
    return Levels(
        (
            Figure("ratio", output_v / input_v, ""),
            Figure("duty", duty * 100, "%"),
            Figure("mean current of inductor and input", mean_a, "A"),
            Figure("ripple of that current", ripple_a, "A"),
            Figure("peak current of switch and inductor", mean_a + ripple_a / 2, "A"),
            Figure(
                "ripple of the output", formulas.output_ripple_v(output_a, duty, farad, frequency_hz), "V"
            ),
        ),
        "duty = 1 - input / (output + diode)",
        f"{POWER}, chapter 2",
        trouble,
    )


def discharge(from_v: float, ohm: float, farad: float) -> Levels:
    """Return how a bleeder takes a supply below 0.5 V."""
    took_s = formulas.discharge_s(from_v, DISCHARGED_V, ohm, farad)
    slow = took_s > DISCHARGE_S
    most_ohm = formulas.bleeder_ohm(from_v, DISCHARGED_V, DISCHARGE_S, farad)
    return Levels(
        (
            Figure("time to 0.5 V", took_s, "s"),
            Figure("largest bleeder for 0.5 s", most_ohm, "Ω"),
            Figure("current at the start", from_v / ohm, "A"),
            Figure("power while the supply is on", from_v**2 / ohm, "W"),
        ),
        "time = R × C × ln(from / 0.5 V)",
        f"{ART}, 1.4.2",
        f"a discharge may take {DISCHARGE_S:g} s" if slow else "",
    )


def base_resistor(drive_v: float, collector_a: float, *, base_v: float, forced_gain: float) -> Levels:
    """Return the base resistor of a transistor switch."""
    return Levels(
        (
            Figure("base resistor", formulas.base_ohm(drive_v, base_v, collector_a, forced_gain), "Ω"),
            Figure("base current", collector_a / forced_gain, "A"),
        ),
        "resistor = (drive - base) / (collector current / forced gain)",
        f"{ART}, 2.2.1",
    )


def led(supply_v: float, current_a: float, *, drop_v: float) -> Levels:
    """Return the series resistor of an LED."""
    return Levels(
        (
            Figure("resistor", formulas.series_ohm(supply_v, drop_v, current_a), "Ω"),
            Figure("power in it", (supply_v - drop_v) * current_a, "W"),
        ),
        "resistor = (supply - drop) / current",
        "Ohm's law",
    )


def pull_down(ohm: float, *, leak_a: float, threshold_v: float, drive_v: float) -> Levels:
    """Return how well a resistor holds a switch off while the controller is in reset and its pin floats."""
    held_v = ohm * leak_a
    return Levels(
        (
            Figure("voltage in reset", held_v, "V"),
            Figure("current when driven", drive_v / ohm, "A"),
            Figure("largest resistor", threshold_v * _HOLD_OFF_MARGIN / leak_a, "Ω"),
        ),
        "voltage = leakage × resistor, at most half the threshold",
        "Ohm's law",
        "the switch may open in reset" if held_v > threshold_v * _HOLD_OFF_MARGIN else "",
    )


def current_limit(sense_ohm: float, *, base_v: float, supply_v: float) -> Levels:
    """Return where a limiter of a transistor across a sense resistor begins, and its power in a short."""
    limit_a = formulas.limit_a(base_v, sense_ohm)
    return Levels(
        (
            Figure("limit", limit_a, "A"),
            Figure("power in the pass transistor in a short", limit_a * (supply_v - base_v), "W"),
            Figure("power in the sense resistor", limit_a * base_v, "W"),
        ),
        "limit = base-emitter voltage / resistor",
        f"{ART}, 9.13.1",
    )


def baud(clock_hz: float, wanted: float) -> Levels:
    """Return the nearest speed that a UART with a 12-bit divider makes, by 8 samples a bit or 16."""
    choices = [
        (abs(formulas.uart_baud(clock_hz, divider, samples) / wanted - 1), samples, divider)
        for samples in (16, 8)
        for divider in {max(0, min(4095, round(clock_hz / samples / wanted) - 1))}
    ]
    error, samples, divider = min(choices)
    made = formulas.uart_baud(clock_hz, divider, samples)
    return Levels(
        (
            Figure("speed", made, "baud"),
            Figure("error", (made / wanted - 1) * 100, "%"),
            Figure("divider", divider, ""),
            Figure("samples a bit", samples, ""),
        ),
        "speed = clock / (samples × (divider + 1))",
        "ATmega2560 data sheet, table 22-1",
        f"more than {BAUD_LIMIT:.1%} off" if error > BAUD_LIMIT else "",
    )
