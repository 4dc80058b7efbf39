"""Commands about chips in places not made for them: adapters, and parts that stand in."""

from typing import Annotated, Any

import typer

from cli.handling import handled, leave
from cli.options import ConfigOption, JsonOption
from cli.quoting import quoted

NetOption = Annotated[
    list[str] | None,
    typer.Option(
        "--net", metavar="PIN=NET", help="What the board has on a pin: 1=low, 27=A14. Several allowed."
    ),
]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("adapters")(handled(adapters))
    app.command("stand-ins")(handled(stand_ins))


def adapters(
    part: Annotated[
        str | None, typer.Argument(metavar="[PART]", help="Only those it can sit on; left out: all.")
    ] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """List the adapters, or those that a part can sit on.

    Example: romwright adapters M27C512
    """
    from cli.exit_codes import Exit
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = client.get("/v1/adapters", part=part)
    out.document(found)
    for problem in found["problems"]:
        out.note(problem, "yellow")
    if not found["adapters"]:
        out.note(f"No adapter takes a {part}.", "yellow")
        leave(Exit.NEGATIVE)
    out.table(
        ("Adapter", "Takes", "Stands as", "What it is", "Mind"),
        [
            (each["id"], each["package"], each["plug"], each["name"], "\n".join(_to_mind(each)))
            for each in found["adapters"]
        ],
    )


def _to_mind(adapter: dict[str, Any]) -> list[str]:
    seat = adapter["seat"]
    if seat is None:
        return [*adapter["notes"]]
    lines = [adapter["placing"]]
    if seat["banks"] > 1:
        lines.append(
            f"Its switches set {' and '.join(seat['switched_lines'])}: --bank 0 to {seat['banks'] - 1}."
        )
    if seat["read_only_because"]:
        lines.append(f"Only for reading: {seat['read_only_because']}.")
    return [*lines, *adapter["notes"]]


def stand_ins(
    part: Annotated[str, typer.Argument(metavar="PART", help="The part that the position was made for.")],
    access_ns: Annotated[
        float | None,
        typer.Option("--access-ns", metavar="NS", help="How long the board waits for data, nanoseconds."),
    ] = None,
    vcc_v: Annotated[
        float | None,
        typer.Option("--vcc-v", metavar="VOLTS", help="The board's supply; left out: the part's."),
    ] = None,
    net: NetOption = None,
    words: Annotated[
        int | None, typer.Option("--words", metavar="N", help="How many words the board reads.")
    ] = None,
    byte_mode: Annotated[
        bool, typer.Option("--byte-mode", help="The board reads a 16-bit part by bytes.")
    ] = False,
    candidate: Annotated[
        list[str] | None,
        typer.Option("--candidate", metavar="PART", help="Judge only this one, with why. Several allowed."),
    ] = None,
    every: Annotated[
        bool, typer.Option("--all", help="Show also own wiring, mask ROMs, and what cannot, with why.")
    ] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Find parts that can stand in for another.

    Judges pin by pin, size, speed and supply in a position made for PART, and says what must be done. Ends
    with 1 when none can.

    Example: romwright stand-ins M27C256B --access-ns 200
    """
    from cli.exit_codes import Exit
    from cli.out import Out
    from cli.reach import Reach, connect
    from cli.stand_in_report import show_stand_ins

    out = Out(json=as_json)
    place = {
        "access_ns": access_ns,
        "vcc_v": vcc_v,
        "nets": _nets(net or []),
        "words": words,
        "byte_mode": byte_mode,
        "candidates": candidate or None,
    }
    with connect(Reach(config), out) as client:
        found = client.post(f"/v1/parts/{quoted(part)}/stand-ins", place)
    out.document(found)
    if not out.json:
        show_stand_ins(out, found, every=every or bool(candidate))
    can = any(each["verdict"] != "cannot" for each in found["stand_ins"])
    leave(Exit.DONE if can else Exit.NEGATIVE)


def _nets(given: list[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for text in given:
        pin, equals, what = text.partition("=")
        if not equals or not pin.strip().isdecimal():
            raise typer.BadParameter(f"'{text}' is no PIN=NET: write 1=low or 27=A14", param_hint="--net")
        found[pin.strip()] = what.strip()
    return found
