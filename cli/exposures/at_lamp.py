"""Commands that say what was done at a lamp: on, off, for how long, and that an exposure has ended."""

from pathlib import Path
from typing import Annotated, Any

import typer

from cli.exposures.options import ExposureArgument, PlacesArgument, WhichOption
from cli.handling import handled
from cli.options import ConfigOption, JsonOption


def register(group: typer.Typer) -> None:
    """Add the commands. None of them switches a lamp."""
    for name, command in (
        ("lamp-on", lamp_on), ("lamp-off", lamp_off), ("answer", answer),
        ("take-out", take_out), ("put-in", put_in), ("finish", finish), ("abandon", abandon),
    ):  # fmt: skip
        group.command(name)(handled(command))


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
    from cli.exposures.report import find_exposure, show_exposure
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = find_exposure(client, name)
        show_exposure(
            out, client.post(f"/v1/exposures/{found['id']}/{what}", body), cautions=what == "lamp-on"
        )
