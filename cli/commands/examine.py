"""Sorting a drawer: what is this chip, what does it hold, and to which pile does it go."""

import sys
from typing import Annotated, Any

import typer

from cli.handling import handled
from cli.options import ConfigOption, JsonOption, PortOption, ProgrammerOption

_SHOWN = 12

PinsOption = Annotated[int, typer.Option("--pins", metavar="COUNT", help="How many pins the chip has.")]
WindowOption = Annotated[
    bool | None,
    typer.Option("--window/--no-window", help="Whether it has a window; left out: it cannot be told."),
]
MarkingOption = Annotated[
    str | None, typer.Option("--marking", metavar="TEXT", help="What can be read of its marking.")
]
IdVoltageOption = Annotated[
    bool | None,
    typer.Option("--id-voltage/--no-id-voltage", help="Agree to about 12 V on A9, or not; left out: asked."),
]
WriteCyclesOption = Annotated[
    bool | None,
    typer.Option(
        "--write-cycles/--no-write-cycles", help="Agree to ask flash chips by write cycles; left out: asked."
    ),
]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("examine")(handled(examine))


def examine(
    pins: PinsOption,
    window: WindowOption = None,
    marking: MarkingOption = None,
    id_voltage: IdVoltageOption = None,
    write_cycles: WriteCyclesOption = None,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Find out what an unmarked chip is, what it holds, and its pile.

    Looks at the pins without power, then reads at 5 V in the ways that harm nothing it can be. It asks before
    it uses the ID voltage or write cycles; without a terminal they are left out.

    Example: romwright examine --pins 28 --window
    """
    from cli import jobs
    from cli.errand import errand

    nobody = not sys.stdin.isatty()
    request: dict[str, Any] = {
        "kind": "examine",
        "package_pins": pins,
        "window": window,
        "marking": marking,
        "allow_id_voltage": False if id_voltage is None and nobody else id_voltage,
        "allow_write_cycles": False if write_cycles is None and nobody else write_cycles,
    }
    with errand(config, port, programmer, as_json=as_json) as trip:
        job = trip.run({**request, "programmer": trip.programmer["id"]})
        candidates = ((job.get("outcome") or {}).get("numbers") or {}).get("candidates") or []
        if candidates:
            trip.out.table(
                ("Part", "Maker", "Kind", "Bytes", "But then"),
                [
                    (each["name"], each["maker"], each["kind"], f"{each['size_bytes']:,}",
                     "; ".join(each["doubts"]))
                    for each in candidates[:_SHOWN]
                ],
            )  # fmt: skip
            if len(candidates) > _SHOWN:
                trip.out.note(f"{len(candidates) - _SHOWN} more with --json.")
        jobs.finish(trip.out, job)
