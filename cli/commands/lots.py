"""Commands about chips by lot, and chips with a number of their own."""

from pathlib import Path
from typing import Annotated, Any
from urllib.parse import quote

import typer

from cli.handling import handled
from cli.options import ConfigOption, JsonOption


def register(app: typer.Typer) -> None:
    """Add the commands."""
    lots = typer.Typer(no_args_is_help=True, help="Chips by lot, and chips with a number of their own.")
    lots.command("list")(handled(list_lots))
    lots.command("add")(handled(add_lot))
    lots.command("number")(handled(number_chip))
    lots.command("history")(handled(history))
    app.add_typer(lots, name="lot")


def list_lots(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List lots and numbered chips: erase cycles and failures."""
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        lots, chips = client.get("/v1/lots")["lots"], client.get("/v1/chips")["chips"]
    out.document({"lots": lots, "chips": chips})
    rows = [(each["name"], each["part_id"], each["chips"], each["cycles"], each["failures"]) for each in lots]
    rows += [
        (f"no. {each['number']}", each["part_id"], 1, each["cycles"], each["failures"]) for each in chips
    ]
    out.table(("Lot or chip", "Part", "Chips", "Erased", "Failed"), rows)


def add_lot(
    name: Annotated[str, typer.Argument(metavar="NAME", help="What you call the lot.")],
    part: Annotated[str, typer.Option("--part", metavar="PART", help="The part.")],
    chips: Annotated[int, typer.Option("--chips", min=1, help="How many there are.")] = 1,
    note: Annotated[str, typer.Option("--note", help="Anything to remember.")] = "",
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record a lot of chips of one part.

    Example: romwright lot add "tern-8 spares" --part M27C512 --chips 20
    """
    body = {"name": name, "part": part, "chips": chips, "note": note}
    _post_lot(config, as_json, "/v1/lots", body, f"Lot {name} is recorded.")


def number_chip(
    number: Annotated[str, typer.Argument(metavar="NUMBER", help="The number painted on its underside.")],
    part: Annotated[str, typer.Option("--part", metavar="PART", help="The part.")],
    lot: Annotated[str | None, typer.Option("--lot", metavar="LOT", help="The lot it belongs to.")] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record a chip by a number of its own.

    Example: romwright lot number 17 --part M27C512
    """
    body = {"number": number, "part": part, **({"lot": lot} if lot else {})}
    _post_lot(config, as_json, "/v1/chips", body, f"Chip {number} is recorded.")


def history(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The lot's name, or with --chip a number.")],
    chip: Annotated[bool, typer.Option("--chip", help="It is the number of a chip, not a lot.")] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show what became of a lot or a chip: light, counts, jobs, failures.

    Example: romwright lot history 17 --chip
    """
    from cli.out import Out, time_words, when_words
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = client.get(f"/v1/{'chips' if chip else 'lots'}/{quote(name, safe='')}/history")
    out.document(found)
    light = time_words(found["light_s"]) if found["light_s"] else "none"
    out.say(
        f"{'Chip' if chip else 'Lot'} {name}: erase cycles {found['cycles']}, failures {found['failures']},"
        f" exposures {found['exposures']}; light in all {light}, about {found['dose_j_per_cm2']:.1f} J/cm²",
        "bold",
    )
    out.table(
        ("When", "What", ""),
        [
            (when_words(each["at"]), each["words"], "failed" if each["failed"] else "")
            for each in found["entries"]
        ],
    )


def _post_lot(config: Path | None, as_json: bool, path: str, body: dict[str, Any], words: str) -> None:
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        out.document(client.post(path, body))
    out.say(words)
