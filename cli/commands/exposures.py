"""Commands about exposures: trays under a UV lamp, with a countdown. None of them switches a lamp."""

from typing import TYPE_CHECKING, Any

import typer

from cli.exposures import at_lamp
from cli.exposures import chips as chip_commands
from cli.exposures.options import ChipsOption, ExposureArgument, LampOption
from cli.handling import handled
from cli.options import ConfigOption, JsonOption

if TYPE_CHECKING:
    from cli.out import Out

_TICK_S = 5.0


def register(app: typer.Typer) -> None:
    """Add the commands."""
    group = typer.Typer(no_args_is_help=True, help="Trays under a UV lamp, with a countdown.")
    for name, command in (
        ("try", try_tray), ("plan", plan), ("list", list_exposures), ("show", show), ("watch", watch),
    ):  # fmt: skip
        group.command(name)(handled(command))
    at_lamp.register(group)
    chip_commands.register(group)
    app.add_typer(group, name="exposure")
    app.command("erase-check")(handled(chip_commands.erase_check))


def try_tray(
    lamp: LampOption, chips: ChipsOption, config: ConfigOption = None, as_json: JsonOption = False
) -> None:
    """Plan a tray without recording anything: one load, or two.

    Example: romwright exposure try --lamp box --chips "6 M27C512" --chips "4 M27C64A"
    """
    from cli.exposures.report import read_chips, show_cautions
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = client.post("/v1/erase-estimates/tray", {"lamp": lamp, "chips": read_chips(chips)})
    out.document(found)
    for each in found["plans"]:
        _show_plan(out, each)
    show_cautions(out, found)


def _show_plan(out: "Out", plan: dict[str, Any]) -> None:
    from cli.out import time_words

    total = plan["total_s"]
    way = "All together, each out when done" if plan["way"] == "take-out" else "Two loads, small dose first"
    out.say(
        f"{way}: {time_words(total['nominal'])} of light"
        f" ({time_words(total['low'])} to {time_words(total['high'])}), box opened {plan['takings']} times",
        "bold",
    )
    for line in plan["picture"]:
        out.say(line)
    out.table(
        ("Place", "Part", "Load", "Along mm", "Across mm", "mW/cm² new", "Exposure"),
        [
            (
                chip["place"],
                chip["part"],
                chip["load"],
                f"{chip['along_mm']:.0f}",
                f"{chip['across_mm']:.0f}",
                f"{chip['new_irradiance_mw_per_cm2']:.2f}",
                time_words(chip["time_s"]["nominal"]),
            )
            for chip in plan["chips"]
        ],
    )


def plan(
    lamp: LampOption, chips: ChipsOption, config: ConfigOption = None, as_json: JsonOption = False
) -> None:
    """Plan and record an exposure: where each chip lies, and how long.

    Example: romwright exposure plan --lamp box --chips "6 M27C512"
    """
    from cli.exposures.report import read_chips, show_exposure
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        show_exposure(
            out, client.post("/v1/exposures", {"lamp": lamp, "chips": read_chips(chips)}), cautions=True
        )


def list_exposures(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List exposures, newest first."""
    from cli.out import Out, time_words, when_words
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = client.get("/v1/exposures")
    out.document(found)
    out.table(
        ("No.", "Lamp", "State", "Chips", "Lit", "To go", "Planned"),
        [
            (
                each["number"],
                each["lamp"],
                each["state"],
                len(each["chips"]),
                time_words(each["lit_s"]),
                "" if each["end_lit_s"] is None or each["ended_at"] else time_words(each["end_lit_s"]),
                when_words(each["created_at"]),
            )
            for each in found["exposures"]
        ],
    )


def show(name: ExposureArgument = None, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Show an exposure: countdown, chips, what to do next."""
    from cli.exposures.report import find_exposure, show_exposure
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        show_exposure(out, find_exposure(client, name), cautions=True)


def watch(name: ExposureArgument = None, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Show the countdown until the next chips are due, or Ctrl-C.

    The lamp stays as it is: nobody but you switches it. With --json each look is one line.
    """
    import time

    from cli.exposures.report import find_exposure
    from cli.out import Out, time_words
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = find_exposure(client, name)
        while found["state"] == "lit" and found["next_out_lit_s"]:
            out.line({key: found[key] for key in ("number", "state", "lit_s", "next_out_lit_s", "next_out")})
            places = ", ".join(map(str, found["next_out"]))
            out.say(f"{time_words(found['next_out_lit_s'])} to go for places {places}")
            time.sleep(min(_TICK_S, found["next_out_lit_s"]))
            found = client.get(f"/v1/exposures/{found['id']}")
        out.line(found)
        out.say(found["advice"], "bold")
