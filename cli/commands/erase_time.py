"""The command that tells how long to expose a chip."""

from pathlib import Path
from typing import Annotated, Any

import typer

from cli.handling import handled
from cli.options import ConfigOption, JsonOption, PartOption


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("erase-time")(handled(erase_time))


def erase_time(
    part: PartOption,
    lamp: Annotated[
        str | None,
        typer.Option("--lamp", metavar="LAMP", help="4w-t5, 8w-t5, 15w-t8, 30w-t8, or a lamp of yours."),
    ] = None,
    distance_mm: Annotated[
        float,
        typer.Option("--distance-mm", min=0.5, max=2000, help="From the lamp's glass to the chip's window."),
    ] = 25.0,
    along_mm: Annotated[
        float, typer.Option("--along-mm", help="Place along the lamp, from its middle.")
    ] = 0.0,
    across_mm: Annotated[float, typer.Option("--across-mm", help="Place beside the lamp.")] = 0.0,
    uvc_w: Annotated[
        float | None, typer.Option("--uvc-w", help="UV-C output of your own tube, watts; with --arc-mm.")
    ] = None,
    arc_mm: Annotated[float | None, typer.Option("--arc-mm", help="Lit length of your own tube.")] = None,
    irradiance: Annotated[
        float | None,
        typer.Option("--irradiance", metavar="MW/CM2", help="Measured at the window, instead of a lamp."),
    ] = None,
    age: Annotated[
        float | None, typer.Option("--age", min=0.05, max=1, help="The lamp's output against new, 0.05 to 1.")
    ] = None,
    dirt: Annotated[
        float | None, typer.Option("--dirt", min=0.05, max=1, help="What dirt lets through, 0.05 to 1.")
    ] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Estimate how long a chip must lie under a UV lamp. No lamp is switched by this.

    For parts that are erased without light it tells how long their erase job takes.

    Example: romwright erase-time --part M27C512 --lamp 8w-t5 --distance-mm 25
    """
    from cli.exit_codes import Exit
    from cli.failure import Failure

    if (uvc_w is None) != (arc_mm is None):
        raise Failure(Exit.USAGE, "your own tube needs both --uvc-w and --arc-mm")
    request = {
        "part": part, "lamp": lamp, "distance_mm": distance_mm, "along_mm": along_mm, "across_mm": across_mm,
        "uvc_w": uvc_w, "arc_length_mm": arc_mm, "irradiance_mw_per_cm2": irradiance,
        "age": age, "dirt": dirt,
    }  # fmt: skip
    _ask(config, as_json, {name: value for name, value in request.items() if value is not None})


def _ask(config: Path | None, as_json: bool, request: dict[str, Any]) -> None:
    """Show the estimate for light, or, for a part that needs none, that of its erase job."""
    from cli.failure import Failure
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        try:
            estimate = client.post("/v1/erase-estimates", request)
        except Failure as failure:
            if failure.code != "part-cannot":
                raise
            _show_electrical(out, client.get("/v1/erase-estimates/electrical", part=request["part"]))
            return
    out.document(estimate)
    _show(out, estimate)


def _show_electrical(out: Any, estimate: dict[str, Any]) -> None:
    from cli.out import time_words

    time_s = estimate["time_s"]
    out.document(estimate)
    out.say(f"No light: {time_words(time_s['nominal'])}, at most {time_words(time_s['high'])}", "bold")
    out.say(f"  {estimate['how']}; {estimate['origin']}. It is an erase job: romwright erase")


def _show(out: Any, estimate: dict[str, Any]) -> None:
    from cli.out import time_words

    time_s, light = estimate["time_s"], estimate["irradiance_mw_per_cm2"]
    out.say(
        f"About {time_words(time_s['nominal'])}"
        f" ({time_words(time_s['low'])} to {time_words(time_s['high'])})",
        "bold",
    )
    out.say(
        f"  {estimate['dose_j_per_cm2']:g} J/cm² at {light['nominal']:.1f} mW/cm²"
        f" ({light['low']:.1f} to {light['high']:.1f}) inside the window"
    )
    out.table(
        ("From", "Value", "Origin"),
        [
            (each["name"], _value(each), f"{each['origin']} ({each['confidence']})")
            for each in estimate["inputs"]
        ],
    )
    for caution in estimate["cautions"]:
        out.say(f"! {caution['text']}", "yellow")


def _value(each: dict[str, Any]) -> str:
    value, unit = each["value"], f" {each['unit']}" if each["unit"] else ""
    if value["low"] == value["high"]:
        return f"{value['nominal']:g}{unit}"
    return f"{value['nominal']:g} ({value['low']:g} to {value['high']:g}){unit}"
