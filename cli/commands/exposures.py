"""Commands about exposures: trays under a UV lamp, with a countdown. None of them switches a lamp."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.errand import errand
from cli.handling import handled
from cli.options import ConfigOption, JsonOption, PartOption, PortOption, ProgrammerOption

if TYPE_CHECKING:
    from cli.client import BenchClient
    from cli.out import Out

ExposureArgument = Annotated[
    str | None, typer.Argument(metavar="[EXPOSURE]", help="Its number or id; left out: the newest open one.")
]
LampOption = Annotated[str, typer.Option("--lamp", metavar="LAMP", help="A lamp of this bench.")]
ChipsOption = Annotated[
    list[str],
    typer.Option(
        "--chips", metavar="CHIPS", help='"6 M27C512", with a lot "6 M27C512 @spares". Several allowed.'
    ),
]
PlacesArgument = Annotated[list[int], typer.Argument(metavar="PLACES", help="Places on the tray, from 1.")]
WhichOption = Annotated[
    str | None, typer.Option("--exposure", metavar="EXPOSURE", help="Left out: the newest open one.")
]
_TICK_S = 5.0


def register(app: typer.Typer) -> None:
    """Add the commands."""
    group = typer.Typer(no_args_is_help=True, help="Trays under a UV lamp, with a countdown.")
    for name, command in (
        ("try", try_tray), ("plan", plan), ("list", list_exposures), ("show", show), ("watch", watch),
        ("lamp-on", lamp_on), ("lamp-off", lamp_off), ("answer", answer), ("count", count),
        ("take-out", take_out), ("put-in", put_in), ("finish", finish), ("abandon", abandon),
    ):  # fmt: skip
        group.command(name)(handled(command))
    app.add_typer(group, name="exposure")
    app.command("erase-check")(handled(erase_check))


def erase_check(
    part: PartOption,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """State how well light has erased a chip.

    Counts the bits left, five times, at the nominal and at the lowest supply that part and programmer allow.
    For a chip of an exposure use `romwright exposure count`, which also knows how much light it had.

    Example: romwright erase-check --part M27C512
    """
    from cli import jobs

    with errand(config, port, programmer, as_json=as_json) as trip:
        jobs.finish(trip.out, trip.run(trip.request("erase-check", part)))


def try_tray(
    lamp: LampOption, chips: ChipsOption, config: ConfigOption = None, as_json: JsonOption = False
) -> None:
    """Plan a tray without recording anything: one load, or two.

    Example: romwright exposure try --lamp box --chips "6 M27C512" --chips "4 M27C64A"
    """
    from cli.out import Out, time_words
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = client.post("/v1/erase-estimates/tray", {"lamp": lamp, "chips": _chips(chips)})
    out.document(found)
    for plan in found["plans"]:
        total = plan["total_s"]
        way = (
            "All together, each out when done" if plan["way"] == "take-out" else "Two loads, small dose first"
        )
        out.say(
            f"{way}: {time_words(total['nominal'])} of light"
            f" ({time_words(total['low'])} to {time_words(total['high'])}), box opened {plan['takings']}"
            " times",
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
    _cautions(out, found)


def plan(
    lamp: LampOption, chips: ChipsOption, config: ConfigOption = None, as_json: JsonOption = False
) -> None:
    """Plan and record an exposure: where each chip lies, and how long.

    Example: romwright exposure plan --lamp box --chips "6 M27C512"
    """
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        _show(out, client.post("/v1/exposures", {"lamp": lamp, "chips": _chips(chips)}), cautions=True)


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
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        _show(out, _find(client, name), cautions=True)


def watch(name: ExposureArgument = None, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Show the countdown until the next chips are due, or Ctrl-C.

    The lamp stays as it is: nobody but you switches it. With --json each look is one line.
    """
    import time

    from cli.out import Out, time_words
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = _find(client, name)
        while found["state"] == "lit" and found["next_out_lit_s"]:
            out.line({key: found[key] for key in ("number", "state", "lit_s", "next_out_lit_s", "next_out")})
            places = ", ".join(map(str, found["next_out"]))
            out.say(f"{time_words(found['next_out_lit_s'])} to go for places {places}")
            time.sleep(min(_TICK_S, found["next_out_lit_s"]))
            found = client.get(f"/v1/exposures/{found['id']}")
        out.line(found)
        out.say(found["advice"], "bold")


def lamp_on(
    name: ExposureArgument = None,
    contents_stored: Annotated[
        bool, typer.Option("--contents-stored", help="What the chips hold is stored, or nobody wants it.")
    ] = False,
    labels_off: Annotated[
        bool, typer.Option("--labels-off", help="Labels and glue are off the windows.")
    ] = False,
    solvent_dry: Annotated[bool, typer.Option("--solvent-dry", help="The solvent has dried.")] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say that you have switched the lamp on, its box shut.

    Time counts from now. This switches nothing.

    Example: romwright exposure lamp-on --contents-stored --labels-off --solvent-dry
    """
    prepared = {
        "contents_stored": contents_stored,
        "labels_off": labels_off,
        "solvent_dry": solvent_dry,
    }
    _say(config, as_json, name, "lamp-on", {"prepared": prepared})


def lamp_off(
    name: ExposureArgument = None,
    minutes: Annotated[
        float | None,
        typer.Option("--lit-min", min=0, help="How long it was lit, if a timer switched it off."),
    ] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say that the lamp is off."""
    _say(config, as_json, name, "lamp-off", {} if minutes is None else {"lit_s": minutes * 60})


def answer(
    name: ExposureArgument = None,
    minutes: Annotated[
        float | None, typer.Option("--lit-min", min=0, help="It is off now, and was lit for so long.")
    ] = None,
    still_lit: Annotated[
        bool, typer.Option("--still-lit", help="It was on all the time, and still is.")
    ] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say how long the lamp was on while the daemon was away.

    Example: romwright exposure answer --lit-min 12
    """
    body: dict[str, Any] = {"still_lit": still_lit}
    if minutes is not None:
        body["lit_s"] = minutes * 60
    _say(config, as_json, name, "answer", body)


def count(
    place: Annotated[int, typer.Argument(metavar="PLACE", help="Which chip is in the socket: its place.")],
    name: WhichOption = None,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Count the bits left in one chip of an exposure.

    Runs an erase check on the chip in the socket and keeps its count. The first, before any light, says how
    many bits there are to erase.

    Example: romwright exposure count 3
    """
    from cli import jobs
    from cli.report import status_of_job

    with errand(config, port, programmer, as_json=as_json) as trip:
        found = _find(trip.client, name)
        chip = next((each for each in found["chips"] if each["place"] == place), None)
        if chip is None:
            raise typer.BadParameter(f"this tray has places 1 to {len(found['chips'])}", param_hint="PLACE")
        light = {"exposure": found["id"], "place": place}
        job = trip.run(trip.request("erase-check", chip["part_id"], light=light))
        numbers = (job.get("outcome") or {}).get("numbers") or {}
        if "bits" not in numbers:
            jobs.finish(trip.out, job)
        shown = trip.client.post(f"/v1/exposures/{found['id']}/readings", {"place": place, "job": job["id"]})
        trip.out.document({"job": job, "exposure": shown})
        trip.out.say(shown["advice"], "bold")
        if chip["light_s"] > 0:
            from cli.handling import leave

            leave(status_of_job(job))


def take_out(
    places: PlacesArgument, name: WhichOption = None, config: ConfigOption = None, as_json: JsonOption = False
) -> None:
    """Say that chips are out of the box.

    Example: romwright exposure take-out 3 4
    """
    _say(config, as_json, name, "take-out", {"places": places})


def put_in(
    places: PlacesArgument, name: WhichOption = None, config: ConfigOption = None, as_json: JsonOption = False
) -> None:
    """Say that chips are back at their places."""
    _say(config, as_json, name, "put-in", {"places": places})


def finish(name: ExposureArgument = None, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """End an exposure; its chips have one erase cycle more."""
    _say(config, as_json, name, "finish", None)


def abandon(name: ExposureArgument = None, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Give an exposure up; what is known of it stays."""
    _say(config, as_json, name, "abandon", None)


def _say(
    config: Path | None, as_json: bool, name: str | None, what: str, body: dict[str, Any] | None
) -> None:
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = _find(client, name)
        _show(out, client.post(f"/v1/exposures/{found['id']}/{what}", body), cautions=what == "lamp-on")


def _find(client: "BenchClient", name: str | None) -> dict[str, Any]:
    from cli.exit_codes import Exit
    from cli.failure import Failure

    if name is not None:
        found: dict[str, Any] = client.get(f"/v1/exposures/{name}")
        return found
    opened = client.get("/v1/exposures", open_only=True, limit=1)["exposures"]
    if not opened:
        raise Failure(Exit.USAGE, "no exposure is open", "Plan one: romwright exposure plan --lamp ...")
    newest: dict[str, Any] = opened[0]
    return newest


def _chips(texts: list[str]) -> list[dict[str, Any]]:
    """Read "6 M27C512 @spares"; the number may be left out."""
    wanted = []
    for text in texts:
        body, _, lot = text.partition("@")
        first, _, rest = body.strip().partition(" ")
        amount, part = (int(first), rest.strip()) if first.isdigit() and rest else (1, body.strip())
        if not part:
            raise typer.BadParameter(f"'{text}' names no part: write \"6 M27C512\"", param_hint="--chips")
        wanted.append({"part": part, "chips": amount, **({"lot": lot.strip()} if lot.strip() else {})})
    return wanted


def _show(out: "Out", exposure: dict[str, Any], *, cautions: bool) -> None:
    from cli.out import time_words

    out.document(exposure)
    out.say(
        f"Exposure {exposure['number']} under {exposure['lamp']}: {exposure['state']}, lit"
        f" {time_words(exposure['lit_s']) if exposure['lit_s'] else '0 s'} so far",
        "bold",
    )
    out.table(
        ("Place", "Part", "", "Along mm", "Across mm", "Light", "To go", "Bits left", "Why"),
        [_row(chip) for chip in exposure["chips"]],
    )
    if exposure["question"]:
        out.say(exposure["question"]["words"], "bold yellow")
    out.say(exposure["advice"], "bold")
    for warning in exposure["warnings"]:
        out.say(f"! {warning}", "bold yellow")
    if cautions:
        _cautions(out, exposure)


def _row(chip: dict[str, Any]) -> tuple[object, ...]:
    from cli.out import time_words

    role = "count" if chip["sentinel"] else ""
    left = chip["counts"][-1]["bits_left"] if chip["counts"] else None
    to_go = chip["remaining_lit_s"]
    return (
        chip["place"],
        chip["label"],
        role if chip["inside"] else "out",
        f"{chip['along_mm']:.0f}",
        f"{chip['across_mm']:.0f}",
        time_words(chip["light_s"]) if chip["light_s"] else "",
        "" if to_go is None else time_words(to_go) if to_go else "due",
        "" if left is None else f"{left:,}",
        chip["problem"] or chip["rule"],
    )


def _cautions(out: "Out", found: dict[str, Any]) -> None:
    for caution in found["cautions"]:
        out.say(f"! {caution['text']}", "yellow")
