"""Commands that compute the levels of a programmer that you build: levels divider, levels boost, ..."""

from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.handling import handled, leave
from cli.options import JsonOption

if TYPE_CHECKING:
    from cli.builder.levels import Levels


def _parsed(text: object) -> float:
    from cli.builder.quantity import parse_quantity

    try:
        return float(text) if isinstance(text, float | int) else parse_quantity(str(text))
    except ValueError:
        raise typer.BadParameter(f"'{text}' is not a value such as 4.7k, 100n or 12.75") from None


def _value(*names: str, help: str) -> Any:
    return typer.Option(*names, parser=_parsed, metavar="VALUE", help=help)


def register(app: typer.Typer) -> None:
    """Add the commands."""
    levels = typer.Typer(no_args_is_help=True, help="Compute the levels of a circuit that you build.")
    for command in (divider, regulator, boost, discharge, base_resistor, led, pull_down, current_limit, baud):
        levels.command(command.__name__.replace("_", "-"))(handled(command))
    app.add_typer(levels, name="levels")


def _show(found: "Levels", as_json: bool) -> None:
    from cli.builder.quantity import show_quantity
    from cli.exit_codes import Exit
    from cli.out import Out

    out = Out(json=as_json)
    out.document(
        {
            "figures": {each.name: {"value": each.value, "unit": each.unit} for each in found.figures},
            "formula": found.formula,
            "source": found.source,
            "trouble": found.trouble,
        }
    )
    width = max(len(each.name) for each in found.figures)
    for each in found.figures:
        match each.unit:
            case "baud":
                shown = f"{each.value:.0f} baud"
            case "" | "%":
                shown = f"{each.value:.4g} {each.unit}".strip()
            case unit:
                shown = show_quantity(each.value, unit)
        out.say(f"{each.name:<{width}}  {shown}")
    out.say(f"{found.formula}  ({found.source})", "dim")
    if found.trouble:
        out.say(f"Trouble: {found.trouble}.", "bold red")
        leave(Exit.NEGATIVE)


def divider(
    volts: Annotated[float, _value("--input", help="Highest voltage at its top, V.")],
    top: Annotated[float, _value("--top", help="Upper resistor, Ω.")],
    bottom: Annotated[float, _value("--bottom", help="Lower resistor, Ω.")],
    full: Annotated[float, _value("--full", help="Full scale of the input behind it, V.")] = 5.0,
    tolerance_percent: Annotated[float, _value("--tolerance", help="Of each resistor, %.")] = 1.0,
    as_json: JsonOption = False,
) -> None:
    """Compute a divider in front of an analogue input: what it sees at worst, how fine it measures.

    Example: romwright levels divider --input 26 --top 47k --bottom 10k
    """
    from cli.builder import levels

    _show(levels.divider(volts, top, bottom, tolerance=tolerance_percent / 100, full_v=full), as_json)


def regulator(
    upper: Annotated[float, _value("--upper", help="Resistor at the output, Ω.")],
    lower: Annotated[float, _value("--lower", help="Resistor at ground, Ω.")],
    reference: Annotated[float, _value("--reference", help="Reference, V.")] = 1.25,
    adjust: Annotated[float, _value("--adjust", help="Current out of the adjust pin, A.")] = 50e-6,
    feedback: Annotated[
        bool, typer.Option("--feedback", help="The reference stands across the lower resistor.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Compute the output of an adjustable regulator.

    Example: romwright levels regulator --upper 240 --lower 2.2k
    """
    from cli.builder import levels

    _show(levels.regulator(reference, upper, lower, adjust, lower_has_reference=feedback), as_json)


def boost(
    volts: Annotated[float, _value("--input", help="Input, V.")],
    output: Annotated[float, _value("--output", help="Output, V.")],
    load: Annotated[float, _value("--load", help="Load, A.")],
    henry: Annotated[float, _value("--henry", help="Inductor, H.")],
    hertz: Annotated[float, _value("--hertz", help="Switching frequency, Hz.")],
    farad: Annotated[float, _value("--farad", help="Output capacitor, F.")] = 22e-6,
    diode: Annotated[float, _value("--diode", help="Forward voltage of the diode, V.")] = 0.4,
    efficiency_percent: Annotated[float, _value("--efficiency", help="Efficiency, %.")] = 80.0,
    as_json: JsonOption = False,
) -> None:
    """Compute a boost converter: ratio, duty, and the currents that its parts must stand.

    Example: romwright levels boost --input 5 --output 13 --load 60m --henry 100u --hertz 100k
    """
    from cli.builder import levels

    found = levels.boost(
        volts, output, load, henry, hertz, farad=farad, diode_v=diode, efficiency=efficiency_percent / 100
    )
    _show(found, as_json)


def discharge(
    volts: Annotated[float, _value("--volts", help="Voltage at the start, V.")],
    ohm: Annotated[float, _value("--ohm", help="Bleeder, Ω.")],
    farad: Annotated[float, _value("--farad", help="All capacitance on this supply, F.")],
    as_json: JsonOption = False,
) -> None:
    """Tell how long a bleeder takes to bring a supply below 0.5 V.

    Example: romwright levels discharge --volts 13 --ohm 2.2k --farad 22u
    """
    from cli.builder import levels

    _show(levels.discharge(volts, ohm, farad), as_json)


def base_resistor(
    drive: Annotated[float, _value("--drive", help="What drives it, V.")],
    collector: Annotated[float, _value("--collector", help="Collector current, A.")],
    base: Annotated[float, _value("--base", help="Base-emitter voltage, V.")] = 0.7,
    gain: Annotated[float, _value("--gain", help="Forced gain: collector over base current.")] = 10.0,
    as_json: JsonOption = False,
) -> None:
    """Compute the base resistor of a transistor that switches.

    Example: romwright levels base-resistor --drive 5 --collector 20m
    """
    from cli.builder import levels

    _show(levels.base_resistor(drive, collector, base_v=base, forced_gain=gain), as_json)


def led(
    supply: Annotated[float, _value("--supply", help="Supply, V.")],
    current: Annotated[float, _value("--current", help="Current, A.")],
    drop: Annotated[float, _value("--drop", help="Forward voltage, V.")] = 2.0,
    as_json: JsonOption = False,
) -> None:
    """Compute the series resistor of an LED.

    Example: romwright levels led --supply 5 --current 5m
    """
    from cli.builder import levels

    _show(levels.led(supply, current, drop_v=drop), as_json)


def pull_down(
    ohm: Annotated[float, _value("--ohm", help="Resistor, Ω.")],
    leak: Annotated[float, _value("--leak", help="Leakage of a floating pin, A.")] = 1e-6,
    threshold: Annotated[float, _value("--threshold", help="Where the switch begins to conduct, V.")] = 0.5,
    drive: Annotated[float, _value("--drive", help="What drives it when on, V.")] = 5.0,
    as_json: JsonOption = False,
) -> None:
    """Tell whether a resistor holds a switch off while the controller is in reset.

    Example: romwright levels pull-down --ohm 10k
    """
    from cli.builder import levels

    _show(levels.pull_down(ohm, leak_a=leak, threshold_v=threshold, drive_v=drive), as_json)


def current_limit(
    ohm: Annotated[float, _value("--ohm", help="Sense resistor, Ω.")],
    supply: Annotated[float, _value("--supply", help="Voltage ahead of the limiter, V.")],
    base: Annotated[float, _value("--base", help="Base-emitter voltage, V.")] = 0.6,
    as_json: JsonOption = False,
) -> None:
    """Tell where a limiter of a transistor and a sense resistor begins, and what a short costs.

    Example: romwright levels current-limit --ohm 10 --supply 13
    """
    from cli.builder import levels

    _show(levels.current_limit(ohm, base_v=base, supply_v=supply), as_json)


def baud(
    clock: Annotated[float, _value("--clock", help="Clock of the controller, Hz.")],
    wanted: Annotated[float, _value("--wanted", help="Wanted speed, baud.")],
    as_json: JsonOption = False,
) -> None:
    """Tell the speed that a controller's serial port really makes, and its error.

    Example: romwright levels baud --clock 16M --wanted 115200
    """
    from cli.builder import levels

    _show(levels.baud(clock, wanted), as_json)
