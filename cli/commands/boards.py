"""Commands about boards: which content goes in which chip of a product."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.handling import handled, leave
from cli.options import ConfigOption, JsonOption, PortOption, ProgrammerOption
from cli.quoting import quoted

if TYPE_CHECKING:
    from cli.client import BenchClient
    from cli.out import Out

BoardArgument = Annotated[str, typer.Argument(metavar="BOARD", help="The board's id, such as tern-8.")]
FileOption = Annotated[
    list[str] | None,
    typer.Option("--file", metavar="[NAME=]FILE", help="File for a source of the recipe; demos have theirs."),
]
HaveOption = Annotated[
    list[str] | None,
    typer.Option("--have", metavar="CHIPS", help='Chips on hand: "2 M27C512 blank 100ns". Several allowed.'),
]
CopiesOption = Annotated[int, typer.Option("--copies", min=1, max=100, help="How many sets of the board.")]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    boards = typer.Typer(no_args_is_help=True, help="Plan and make the chips of a whole board.")
    boards.command("list")(handled(list_boards))
    boards.command("show")(handled(show))
    boards.command("add")(handled(add))
    boards.command("remove")(handled(remove))
    boards.command("plan")(handled(plan))
    boards.command("shopping")(handled(shopping))
    boards.command("program")(handled(program))
    boards.command("reassemble")(handled(reassemble))
    app.add_typer(boards, name="board")


def list_boards(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List the boards: your own, and the demo boards."""
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = client.get("/v1/boards")
    out.document(found)
    out.table(
        ("Id", "Name", "Positions", "Files", ""),
        [
            (
                each["id"],
                each["name"],
                ", ".join(position["label"] for position in each["positions"]),
                ", ".join(source["file"] for source in each["sources"]),
                each["problem"] or ("demo" if each["demo"] else ""),
            )
            for each in found["boards"]
        ],
    )


def show(
    board: BoardArgument,
    recipe: Annotated[bool, typer.Option("--recipe", help="Print the recipe itself, to start from.")] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show a board: its files and its positions."""
    from cli.out import Out, bytes_words
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = client.get(f"/v1/boards/{quoted(board)}")
    out.document(found)
    if recipe:
        out.say(found["text"].rstrip("\n"))
        return
    out.say(f"{found['name']} ({found['id']})", "bold")
    for text in (*found["notes"], *filter(None, [found["problem"]])):
        out.say(text)
    for source in found["sources"]:
        size = f", {bytes_words(source['size_bytes'])}" if source["size_bytes"] else ""
        out.say(f"  file {source['name']}: {source['file']}{size}")
    for position in found["positions"]:
        parts = ", ".join(position["parts"]) or f"{position['made_for']} or what fits"
        title = f" ({position['title']})" if position["title"] else ""
        out.say(f"  {position['label']}{title}: {parts}; {position['access_ns']:g} ns")


def add(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The recipe, a TOML file.")],
    name: Annotated[
        str | None, typer.Option("--id", metavar="ID", help="Its id; left out: the file's name.")
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace your board of that id.")] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Keep a board's recipe. `board show tern-8 --recipe` prints one to start from.

    Example: romwright board add tern-9.toml
    """
    from cli.exit_codes import Exit
    from cli.failure import Failure
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    try:
        text = file.expanduser().read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise Failure(Exit.USAGE, f"{file}: {reason}", "Name a recipe, a TOML file.") from error
    body = {"id": name or file.stem.lower(), "text": text, "replace": replace}
    with connect(Reach(config), out) as client:
        found = client.post("/v1/boards", body)
    out.document(found)
    out.say(f"Kept as {found['id']}: {found['name']}, {len(found['positions'])} positions.")


def remove(board: BoardArgument, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Forget a board of your own."""
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = client.get(f"/v1/boards/{quoted(board)}")
        client.delete(f"/v1/boards/{found['id']}")
    out.document({"removed": found["id"]})
    out.say(f"Removed {found['id']}.")


def plan(
    board: BoardArgument,
    file: FileOption = None,
    have: HaveOption = None,
    copies: CopiesOption = 1,
    save: Annotated[
        Path | None, typer.Option("--save", metavar="FOLDER", help="Save each chip's content there.")
    ] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Work out what exact bytes go in which chip, and what to buy or erase.

    Example: romwright board plan tern-8 --have "2 M27C512 blank 100ns"
    """
    from cli.out import Out
    from cli.plan_report import show_plan
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = _planned(client, out, board, file, have, copies, keep=save is not None)
        if save is not None:
            _save_contents(client, out, found, save.expanduser())
    out.document(found)
    if not out.json:
        show_plan(out, found)


def shopping(
    board: BoardArgument,
    file: FileOption = None,
    have: HaveOption = None,
    copies: CopiesOption = 1,
    lamp: Annotated[
        str | None, typer.Option("--lamp", help="Your lamp: it says what is erased when.")
    ] = None,
    hours: Annotated[
        float | None, typer.Option("--hours", help="How much time there is; left out: all it takes.")
    ] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what to have on the table: chips on hand, what light frees in time, what to buy.

    Example: romwright board shopping tern-16 --copies 20 --have "30 M27C512 used" --lamp box --hours 3
    """
    from cli.out import Out
    from cli.plan_report import show_shopping
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        body = {"plan": _plan_body(client, out, board, file, have, copies), "lamp": lamp, "hours": hours}
        found = client.post(f"/v1/boards/{quoted(board)}/shopping-list", body)
    out.document(found)
    if not out.json:
        show_shopping(out, found)


def program(
    board: BoardArgument,
    file: FileOption = None,
    have: HaveOption = None,
    copies: CopiesOption = 1,
    position: Annotated[
        list[str] | None, typer.Option("--position", metavar="LABEL", help="Only this one; several allowed.")
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Do not ask; only where a single chip is to be made.")
    ] = False,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Make the chips of a board one after another, each planned, programmed and verified.

    Example: romwright board program tern-16 --have "2 M27C512"
    """
    from cli import jobs
    from cli.errand import errand
    from cli.exit_codes import Exit
    from cli.failure import Failure
    from cli.report import status_of_job

    ended: list[dict[str, Any]] = []
    with errand(config, port, programmer, as_json=as_json) as trip:
        found = _planned(trip.client, trip.out, board, file, have, copies, keep=True)
        chips = _chips_in_order(found, position)
        if yes and len(chips) > 1:
            raise Failure(
                Exit.USAGE,
                f"{len(chips)} chips are to be made, and somebody has to change them",
                "Name one --position and one copy, or leave out --yes.",
            )
        for number, chip in enumerate(chips, 1):
            _announce(trip.out, chip, number, len(chips), found["copies"])
            request = {**chip["job"], "programmer": trip.programmer["id"]}
            jobs.confirm(trip.client, trip.out, request, trip.programmer, yes=yes)
            ended.append(trip.run(request))
            if ended[-1]["state"] != "succeeded":
                break
    if len(ended) == 1:
        jobs.finish(trip.out, ended[0])
        return
    trip.out.document({"jobs": ended})
    if ended[-1]["state"] == "succeeded":
        trip.out.say(f"All {len(ended)} chips of {found['board_name']} are made.")
    leave(status_of_job(ended[-1]))


def reassemble(
    board: BoardArgument,
    chip: Annotated[
        list[str], typer.Option("--chip", metavar="LABEL=FILE", help="What was read from a position's chip.")
    ],
    folder: Annotated[Path, typer.Option("--save", metavar="FOLDER", help="Where to save the files.")],
    known: Annotated[
        list[str] | None,
        typer.Option("--known", metavar="[NAME=]FILE", help="An older file, for what no chip holds."),
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Overwrite files that exist.")] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put a board's files together again from what its chips hold.

    Example: romwright board reassemble tern-16 --chip U10=even.bin --chip U11=odd.bin --save .
    """
    from cli import image_files
    from cli.chips_on_hand import named_files, uploaded
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = client.get(f"/v1/boards/{quoted(board)}")
        labels = [position["label"] for position in found["positions"]]
        sources = {source["name"]: source["file"] for source in found["sources"]}
        reads = uploaded(client, out, named_files(chip, labels, "--chip"))
        older = uploaded(client, out, named_files(known or [], list(sources), "--known"))
        body = {"chips": {label: {"image": digest} for label, digest in reads.items()}, "known": older}
        files = client.post(f"/v1/boards/{found['id']}/reassemble", body)
        for each in files["files"]:
            path = folder.expanduser() / Path(sources[each["source"]]).name
            content = client.download(f"/v1/images/{each['image']}/content", format="raw")
            image_files.save(path, content, replace=replace)
            out.say(f"{each['source']}: saved as {path}.")
            for gap in each["missing"][:4]:
                out.say(f"  not known: {gap['start_bytes']:#x} to {gap['end_bytes'] - 1:#x}", "yellow")
    out.document(files)


def _planned(
    client: "BenchClient",
    out: "Out",
    board: str,
    file: list[str] | None,
    have: list[str] | None,
    copies: int,
    *,
    keep: bool,
) -> dict[str, Any]:
    body = _plan_body(client, out, board, file, have, copies)
    path = f"/v1/boards/{quoted(board)}/plan" + ("?keep=true" if keep else "")
    plan: dict[str, Any] = client.post(path, body)
    return plan


def _plan_body(
    client: "BenchClient", out: "Out", board: str, file: list[str] | None, have: list[str] | None, copies: int
) -> dict[str, Any]:
    from cli.chips_on_hand import named_files, on_hand, uploaded

    shown = client.get(f"/v1/boards/{quoted(board)}")
    names = [source["name"] for source in shown["sources"]]
    return {
        "sources": uploaded(client, out, named_files(file or [], names, "--file")),
        "on_hand": [on_hand(text) for text in have or []],
        "copies": copies,
    }


def _chips_in_order(plan: dict[str, Any], wanted: list[str] | None) -> list[dict[str, Any]]:
    """Return the chips to make, copy by copy."""
    from cli.exit_codes import Exit
    from cli.failure import Failure

    labels = [position["label"] for position in plan["positions"]]
    for label in wanted or []:
        if label not in labels:
            raise Failure(
                Exit.USAGE,
                f"{plan['board_name']} has no position {label}",
                f"Its positions are {', '.join(labels)}.",
            )
    chips = [
        chip
        for position in plan["positions"]
        if not wanted or position["label"] in wanted
        for chip in position["chips"]
    ]
    return sorted(chips, key=lambda chip: int(chip["copy_number"]))


def _announce(out: "Out", chip: dict[str, Any], number: int, count: int, copies: int) -> None:
    from cli.plan_report import chip_lines

    of = f" of {count}" if count > 1 else ""
    out.note(f"Chip {number}{of}, for {chip['position']}: put a {chip['part_name']} in the socket.", "bold")
    for line in chip_lines(chip, copies=copies):
        out.note(f"  {line}", "")


def _save_contents(client: "BenchClient", out: "Out", plan: dict[str, Any], folder: Path) -> None:
    from cli import image_files

    for position in plan["positions"]:
        for chip in position["chips"]:
            copy = f"-{chip['copy_number']}" if plan["copies"] > 1 else ""
            path = folder / f"{plan['board_id']}-{chip['position']}{copy}.bin"
            content = client.download(f"/v1/images/{chip['job']['image']}/content", format="raw")
            image_files.save(path, content, replace=False)
            out.note(f"saved {path}")
