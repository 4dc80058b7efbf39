"""Commands that make out labels for the windows of chips."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.handling import handled
from cli.options import ConfigOption, JsonOption
from cli.quoting import quoted

if TYPE_CHECKING:
    from cli.client import BenchClient
    from cli.out import Out

SaveOption = Annotated[
    Path, typer.Option("--save", metavar="FILE", help="Where to save them: labels.pdf, or labels.svg.")
]
TitleOption = Annotated[
    str | None, typer.Option("--title", help="The product on the labels, in place of its known name.")
]
VersionOption = Annotated[str, typer.Option("--version-text", metavar="TEXT", help="The version.")]
SizeOption = Annotated[
    str, typer.Option("--size", metavar="WIDTHxHEIGHT", help="Size of a label in millimetres.")
]
SheetOption = Annotated[
    str, typer.Option("--sheet", metavar="WIDTHxHEIGHT", help="Size of the sheet in millimetres.")
]
EdgeOption = Annotated[
    str, typer.Option("--edge", metavar="LEFTxTOP", help="From the sheet's edges to the first label, mm.")
]
GapOption = Annotated[str, typer.Option("--gap", metavar="ACROSSxDOWN", help="Between labels, mm.")]
StartOption = Annotated[
    int, typer.Option("--start", min=1, help="First free label of a sheet that was begun, row by row.")
]
OutlineOption = Annotated[
    bool, typer.Option("--outline/--no-outline", help="Draw the edges, to cut plain paper.")
]
ReplaceOption = Annotated[bool, typer.Option("--replace", help="Overwrite files that exist.")]

_SIZE, _SHEET, _EDGE, _GAP = "30x13", "210x297", "10x10", "2x2"


def register(app: typer.Typer) -> None:
    """Add the commands."""
    labels = typer.Typer(
        no_args_is_help=True, help="Make out labels for the windows of chips, as PDF or SVG."
    )
    labels.command("board")(handled(of_board))
    labels.command("batch")(handled(of_batch))
    labels.command("jobs")(handled(of_jobs))
    app.add_typer(labels, name="label")


def of_board(
    board: Annotated[str, typer.Argument(metavar="BOARD", help="The board's id, such as tern-16.")],
    save: SaveOption,
    file: Annotated[
        list[str] | None,
        typer.Option("--file", metavar="[NAME=]FILE", help="File for a source of the recipe."),
    ] = None,
    have: Annotated[
        list[str] | None,
        typer.Option("--have", metavar="CHIPS", help='Chips on hand: "2 M27C512 blank 100ns".'),
    ] = None,
    copies: Annotated[int, typer.Option("--copies", min=1, max=100, help="How many sets.")] = 1,
    by_set: Annotated[bool, typer.Option("--by-set", help="Set by set, not position by position.")] = False,
    title: TitleOption = None,
    version: VersionOption = "",
    size: SizeOption = _SIZE,
    sheet: SheetOption = _SHEET,
    edge: EdgeOption = _EDGE,
    gap: GapOption = _GAP,
    start: StartOption = 1,
    outline: OutlineOption = True,
    replace: ReplaceOption = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Make out a label for each chip of a board.

    Example: romwright label board tern-16 --copies 20 --version-text 1.2 --save labels.pdf
    """
    from cli.chips_on_hand import named_files, on_hand, uploaded
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    stock = stock_of(size, sheet, edge, gap, outline=outline)
    with connect(Reach(config), out) as client:
        shown = client.get(f"/v1/boards/{quoted(board)}")
        names = [source["name"] for source in shown["sources"]]
        plan = {
            "sources": uploaded(client, out, named_files(file or [], names, "--file")),
            "on_hand": [on_hand(text) for text in have or []],
            "copies": copies,
        }
        order = "by-set" if by_set else "by-position"
        body = {"board": shown["id"], "plan": plan, "order": order, **_words(title, version, stock, start)}
        _saved(client, out, body, save.expanduser(), replace=replace)


def of_batch(
    batch: Annotated[str, typer.Argument(metavar="BATCH", help="The batch's id.")],
    save: SaveOption,
    only_made: Annotated[bool, typer.Option("--only-made", help="Only chips that are made.")] = False,
    title: TitleOption = None,
    version: VersionOption = "",
    size: SizeOption = _SIZE,
    sheet: SheetOption = _SHEET,
    edge: EdgeOption = _EDGE,
    gap: GapOption = _GAP,
    start: StartOption = 1,
    outline: OutlineOption = True,
    replace: ReplaceOption = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Make out a label for each chip of a batch, in the order in which they are programmed.

    Example: romwright label batch 4f1c20aa --save labels.pdf
    """
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    stock = stock_of(size, sheet, edge, gap, outline=outline)
    with connect(Reach(config), out) as client:
        body = {"batch": batch, "only_made": only_made, **_words(title, version, stock, start)}
        _saved(client, out, body, save.expanduser(), replace=replace)


def of_jobs(
    jobs: Annotated[list[str], typer.Argument(metavar="JOB...", help="Jobs that programmed a chip.")],
    save: SaveOption,
    title: TitleOption = None,
    version: VersionOption = "",
    size: SizeOption = _SIZE,
    sheet: SheetOption = _SHEET,
    edge: EdgeOption = _EDGE,
    gap: GapOption = _GAP,
    start: StartOption = 1,
    outline: OutlineOption = True,
    replace: ReplaceOption = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Make out a label for the chip of each job.

    Example: romwright label jobs 91ab77c0 --title "Tern-8 firmware" --save label.svg
    """
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    stock = stock_of(size, sheet, edge, gap, outline=outline)
    with connect(Reach(config), out) as client:
        body = {"jobs": jobs, **_words(title, version, stock, start)}
        _saved(client, out, body, save.expanduser(), replace=replace)


def stock_of(size: str, sheet: str, edge: str, gap: str, *, outline: bool) -> dict[str, Any]:
    """Return the stock that the options describe. Raises Failure for a size that is none."""
    width, height = _pair(size, "--size")
    sheet_width, sheet_height = _pair(sheet, "--sheet")
    left, top = _pair(edge, "--edge")
    gap_x, gap_y = _pair(gap, "--gap")
    return {
        "label_width_mm": width,
        "label_height_mm": height,
        "sheet_width_mm": sheet_width,
        "sheet_height_mm": sheet_height,
        "left_mm": left,
        "top_mm": top,
        "gap_x_mm": gap_x,
        "gap_y_mm": gap_y,
        "outline": outline,
    }


def _pair(text: str, option: str) -> tuple[float, float]:
    from cli.exit_codes import Exit
    from cli.failure import Failure

    first, _, second = text.lower().partition("x")
    try:
        return float(first), float(second)
    except ValueError:
        raise Failure(
            Exit.USAGE, f'{option} "{text}" is not two numbers', f"Write millimetres, as in {option} 30x13."
        ) from None


def _words(title: str | None, version: str, stock: dict[str, Any], start: int) -> dict[str, Any]:
    given: dict[str, Any] = {"version": version, "stock": stock, "start_at": start}
    return given if title is None else {**given, "title": title}


def _saved(client: "BenchClient", out: "Out", body: dict[str, Any], path: Path, *, replace: bool) -> None:
    """Fetch the sheets and save them: one PDF, or an SVG for each sheet."""
    from cli import image_files
    from cli.exit_codes import Exit
    from cli.failure import Failure

    kind = path.suffix.lower().removeprefix(".")
    if kind not in ("pdf", "svg"):
        raise Failure(Exit.USAGE, f"{path} is neither .pdf nor .svg", "Name a file such as labels.pdf.")
    content, sheets = client.sheets("/v1/labels", body, format=kind)
    paths = [path]
    if kind == "svg" and sheets > 1:
        paths = [path.with_stem(f"{path.stem}-{number}") for number in range(1, sheets + 1)]
    for number, each in enumerate(paths, start=1):
        if number > 1:
            content, _ = client.sheets("/v1/labels", body, format=kind, sheet=number)
        image_files.save(each, content, replace=replace)
        out.say(f"Saved {each}.")
    out.say("Print at 100 %, not fitted to the page. The notch marks the end with pin 1.")
    out.document({"files": [str(each) for each in paths], "sheets": sheets})
