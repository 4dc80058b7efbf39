"""Commands about UV lamps and the light on their trays."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.handling import handled
from cli.options import ConfigOption, JsonOption

if TYPE_CHECKING:
    from cli.out import Out

LampArgument = Annotated[str, typer.Argument(metavar="LAMP", help="The lamp's name or id.")]
TubeOption = Annotated[
    list[str],
    typer.Option(
        "--tube",
        metavar="TUBE[@MM]",
        help="4w-t5, 8w-t5, 15w-t8, 30w-t8, or WATTS:ARC-MM of your own (UV-C watts); @MM: so far"
        " sideways from the middle. Several allowed.",
    ),
]
DistanceOption = Annotated[
    float,
    typer.Option("--distance-mm", min=0.5, max=2000, help="From the lowest glass to the chips' windows."),
]
HoursOption = Annotated[
    float | None, typer.Option("--hours", min=0, help="Lit hours of the tubes; exposures add to them.")
]
TrayOption = Annotated[
    str, typer.Option("--tray", metavar="MMxMM", help="Tray along and across the tubes: 200x60.")
]
PlaceOption = Annotated[
    str, typer.Option("--at", metavar="ALONG,ACROSS", help="Where on the tray, mm from its middle.")
]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    lamps = typer.Typer(no_args_is_help=True, help="UV lamps, and the light on their trays.")
    lamps.command("list")(handled(list_lamps))
    lamps.command("add")(handled(add))
    lamps.command("show")(handled(show))
    lamps.command("tray")(handled(tray))
    lamps.command("meter")(handled(meter))
    lamps.command("change")(handled(change))
    lamps.command("forget")(handled(forget))
    app.add_typer(lamps, name="lamp")


def list_lamps(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List the lamps, with what was learned of them."""
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = client.get("/v1/lamps")
    out.document(found)
    out.table(
        ("Name", "Tubes", "Distance", "Hours", "Strength", "Minds"),
        [
            (
                each["name"],
                len(each["spec"]["tubes"]),
                f"{each['spec']['distance_mm']:g} mm",
                "" if each["hours"] is None else f"{each['hours']:.1f}",
                _strength(each),
                "; ".join(each["warnings"]),
            )
            for each in found["lamps"]
        ],
    )


def add(
    name: Annotated[str, typer.Argument(metavar="NAME", help="What you call the lamp.")],
    tube: TubeOption,
    distance_mm: DistanceOption = 25.0,
    reflector: Annotated[
        float,
        typer.Option(
            "--reflector", min=0.5, max=4, help="By how much a reflector raises the light; 1: none."
        ),
    ] = 1.0,
    hours: HoursOption = None,
    tray_size: TrayOption = "200x60",
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record a lamp: its tubes, and how high it stands over its tray.

    Example: romwright lamp add box --tube 8w-t5@-20 --tube 8w-t5@20 --hours 300
    """
    along, across = _pair(tray_size, "x", "--tray")
    body = {
        "name": name,
        "tubes": [read_tube(text) for text in tube],
        "distance_mm": distance_mm,
        "reflector": reflector,
        "tray_along_mm": along,
        "tray_across_mm": across,
    }
    if hours is not None:
        body["hours"] = hours
    _send(config, as_json, "POST", "/v1/lamps", body)


def show(name: LampArgument, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Show a lamp, what was learned of it, and its cautions."""
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        _show(out, client.get(f"/v1/lamps/{name}"))


def tray(
    name: LampArgument,
    svg: Annotated[
        Path | None, typer.Option("--svg", metavar="FILE", help="Also draw it into this SVG file.")
    ] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show the light over a lamp's tray.

    Example: romwright lamp tray box --svg tray.svg
    """
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = client.get(f"/v1/lamps/{name}/tray")
        if svg is not None:
            svg.write_bytes(client.download(f"/v1/lamps/{name}/tray.svg"))
    out.document(found)
    for line in found["picture"]:
        out.say(line)
    out.say(
        f"{found['lowest_mw_per_cm2']:.2f} to {found['highest_mw_per_cm2']:.2f} mW/cm² when new, warm and"
        " clean;"
        f" tray {found['tray_along_mm']:g} by {found['tray_across_mm']:g} mm, tubes from left to right"
    )


def meter(
    name: LampArgument,
    reads: Annotated[float, typer.Argument(metavar="MW/CM2", help="What the UV-C meter reads, lamp warm.")],
    at: PlaceOption = "0,0",
    tolerance: Annotated[
        float, typer.Option("--tolerance", min=0.01, max=0.9, help="The meter's share either way.")
    ] = 0.15,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take in what a UV-C meter reads on the tray.

    Example: romwright lamp meter box 4.2
    """
    along, across = _pair(at, ",", "--at")
    body = {
        "measured_mw_per_cm2": reads,
        "along_mm": along,
        "across_mm": across,
        "tolerance": tolerance,
    }
    _send(config, as_json, "POST", f"/v1/lamps/{name}/meter-readings", body)


def change(
    name: LampArgument,
    new_name: Annotated[str | None, typer.Option("--name", metavar="NAME", help="Another name.")] = None,
    hours: HoursOption = None,
    new_tubes: Annotated[
        bool, typer.Option("--new-tubes", help="New tubes are in, or all was cleaned: learning starts anew.")
    ] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Change a lamp: its name, its hours, its tubes.

    Example: romwright lamp change box --new-tubes
    """
    body: dict[str, Any] = {"new_tubes": new_tubes}
    if new_name is not None:
        body["name"] = new_name
    if hours is not None:
        body["hours"] = hours
    _send(config, as_json, "PATCH", f"/v1/lamps/{name}", body)


def forget(name: LampArgument, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Forget a lamp under which nothing was ever exposed."""
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        client.delete(f"/v1/lamps/{name}")
    out.document({"forgotten": name})
    out.say(f"Lamp {name} is forgotten.")


def _send(config: Path | None, as_json: bool, method: str, path: str, body: dict[str, Any]) -> None:
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        _show(out, client.post(path, body) if method == "POST" else client.patch(path, body))


def _show(out: "Out", lamp: dict[str, Any]) -> None:
    out.document(lamp)
    spec = lamp["spec"]
    hours = "hours not known" if lamp["hours"] is None else f"{lamp['hours']:.1f} h lit"
    out.say(
        f"{lamp['name']}: {len(spec['tubes'])} tubes, {spec['distance_mm']:g} mm over the chips, {hours}",
        "bold",
    )
    if lamp["strength"] is not None:
        out.say(f"  Strength {_strength(lamp)} of new at the die: {lamp['strength']['origin']}")
    for warning in lamp["warnings"]:
        out.say(f"! {warning}", "bold yellow")
    for caution in lamp["cautions"]:
        out.say(f"! {caution['text']}", "yellow")


def _strength(lamp: dict[str, Any]) -> str:
    if lamp["strength"] is None:
        return ""
    factor = lamp["strength"]["factor"]
    return f"{factor['nominal']:.2f} ({factor['low']:.2f} to {factor['high']:.2f})"


def read_tube(text: str) -> dict[str, Any]:
    """Read `8w-t5@-20`, or `2.4:235@20` for a tube of one's own. Raises typer's error for anything else."""
    what, _, across = text.partition("@")
    try:
        place = {"across_mm": float(across)} if across else {}
        if ":" in what:
            watts, arc = what.split(":")
            return {"uvc_w": float(watts), "arc_length_mm": float(arc), **place}
    except ValueError:
        raise typer.BadParameter(
            f"'{text}' is no tube: write 8w-t5, 8w-t5@-20 or 2.4:235@20", param_hint="--tube"
        ) from None
    return {"preset": what, **place}


def _pair(text: str, separator: str, option: str) -> tuple[float, float]:
    try:
        first, second = (float(each) for each in text.split(separator))
    except ValueError:
        raise typer.BadParameter(
            f"'{text}' is not two numbers with {separator} between", param_hint=option
        ) from None
    return first, second
