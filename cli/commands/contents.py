"""Commands that look at content and rearrange it."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from cli.chip_options import FileArgument
from cli.errand import number
from cli.handling import handled
from cli.options import ConfigOption, JsonOption


class TestPattern(StrEnum):
    """Contents for testing a board."""

    ADDRESS = "address"
    WALKING_ONES = "walking-ones"
    WALKING_ZEROS = "walking-zeros"
    CHECKERBOARD = "checkerboard"


RecipeArgument = Annotated[
    Path, typer.Argument(metavar="RECIPE", help="TOML file with `steps = [...]`; see docs/boards.md.")
]
SaveArgument = Annotated[Path, typer.Argument(metavar="RESULT", help="Where to save what comes out.")]
ReplaceOption = Annotated[bool, typer.Option("--replace", help="Overwrite the file if it exists.")]
WordOption = Annotated[int, typer.Option("--word", min=1, max=2, metavar="BYTES", help="Bytes in a word.")]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    contents = typer.Typer(no_args_is_help=True, help="Look at content, rearrange it, find line orders.")
    contents.command("hex")(handled(show_hex))
    contents.command("transform")(handled(transform))
    contents.command("restore")(handled(restore))
    contents.command("lines")(handled(lines))
    contents.command("make-test")(handled(make_test))
    app.add_typer(contents, name="content")


def show_hex(
    file: FileArgument,
    start: Annotated[
        str | None, typer.Option("--start", metavar="ADDRESS", help="First address; left out: the lowest.")
    ] = None,
    length: Annotated[str, typer.Option("--length", metavar="BYTES", help="How many bytes.")] = "512",
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show content in hexadecimal with its text, and whether it repeats itself.

    Example: romwright content hex tern8.rom --length 64
    """
    from cli import image_files
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        digest = image_files.image_for(client, out, file, None)
        found = client.get(
            f"/v1/images/{digest}/hex",
            start_bytes=number(start, "--start"),
            length_bytes=number(length, "--length"),
        )
        repeats = client.get(f"/v1/images/{digest}/repeats")["words"]
    out.document({**found, "repeats": repeats})
    for line in found["lines"]:
        out.say(line)
    if repeats:
        out.say(repeats, "bold")


def transform(
    file: FileArgument,
    recipe: RecipeArgument,
    result: SaveArgument,
    copy: Annotated[int, typer.Option("--copy", min=1, help="Which copy, for serial numbers.")] = 1,
    base: Annotated[
        str, typer.Option("--base", metavar="ADDRESS", help="Address that is the content's first byte.")
    ] = "0",
    replace: ReplaceOption = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Run the steps of a recipe over a file and save what comes out.

    Example: romwright content transform tern16.bin even.toml even.bin
    """
    from cli import image_files
    from cli.out import Out, bytes_words
    from cli.reach import Reach, connect

    out, path = Out(json=as_json), result.expanduser()
    image_files.refuse_existing(path, replace=replace)
    body = {"steps": _steps(recipe), "copy_number": copy, "base_address": number(base, "--base")}
    with connect(Reach(config), out) as client:
        digest = image_files.image_for(client, out, file, None)
        made = client.post(f"/v1/images/{digest}/recipe", body)
        content = client.download(f"/v1/images/{made['image']['sha256']}/content", format="raw")
    image_files.save(path, content, replace=replace)
    out.document(made)
    for step in made["steps"]:
        out.say(f"{step['words']}  ({bytes_words(step['size_before'])} to {bytes_words(step['size_after'])})")
    for row in made["map"]["rows"]:
        out.say(f"  {row['words']}", "dim")
    if not made["map"]["complete"]:
        out.say("  and so on", "dim")
    for gap in made["gaps"]:
        out.say(f"Nothing fills {gap['start_bytes']:#x} to {gap['end_bytes'] - 1:#x}: it is FF.", "yellow")
    out.say(f"Saved as {path}, CRC-32 {made['image']['facts']['crc32']}.")


def restore(
    file: FileArgument,
    recipe: RecipeArgument,
    result: SaveArgument,
    size: Annotated[str, typer.Option("--size", metavar="BYTES", help="Size of the file it was made from.")],
    replace: ReplaceOption = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Undo the steps of a recipe: from a read chip back to the file.

    Example: romwright content restore read.bin even.toml half.bin --size 0x20000
    """
    from cli import image_files
    from cli.out import Out
    from cli.reach import Reach, connect

    out, path = Out(json=as_json), result.expanduser()
    image_files.refuse_existing(path, replace=replace)
    body = {"steps": _steps(recipe), "size_bytes": number(size, "--size")}
    with connect(Reach(config), out) as client:
        digest = image_files.image_for(client, out, file, None)
        back = client.post(f"/v1/images/{digest}/restore", body)
        content = client.download(f"/v1/images/{back['image']['sha256']}/content", format="raw")
    image_files.save(path, content, replace=replace)
    out.document(back)
    for gap in back["missing"][:8]:
        out.say(f"Not known: {gap['start_bytes']:#x} to {gap['end_bytes'] - 1:#x}; it is FF.", "yellow")
    if len(back["missing"]) > 8:
        out.say("and so on", "yellow")
    out.say(f"Saved as {path}.")


def lines(
    known: FileArgument,
    chip: Annotated[str, typer.Argument(metavar="READ", help="What a working chip was read to hold.")],
    word: WordOption = 1,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Find how a board connects its address and data lines.

    Compares the file that its chip was made from with a read of a chip that works.

    Example: romwright content lines tern8.bin read.bin
    """
    from cli import image_files
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        body = {
            "known": image_files.image_for(client, out, known, None),
            "chip": image_files.image_for(client, out, chip, None),
            "word_bytes": word,
        }
        found = client.post("/v1/line-orders", body)
    out.document(found)
    out.say(found["words"])
    for order in found["orders"][:1]:
        out.say(f'{{ do = "reorder-address-lines", order = {order["address"]}, word_bytes = {word} }}', "dim")
        out.say(f'{{ do = "reorder-data-lines", order = {order["data"]}, word_bytes = {word} }}', "dim")


def make_test(
    pattern: Annotated[
        TestPattern,
        typer.Argument(metavar="PATTERN", help="address, walking-ones, walking-zeros or checkerboard."),
    ],
    result: SaveArgument,
    size: Annotated[str, typer.Option("--size", metavar="BYTES", help="How long: 0x8000.")],
    word: WordOption = 1,
    replace: ReplaceOption = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Make content that shows which line of a board is broken.

    Example: romwright content make-test address lines.bin --size 0x8000
    """
    from cli import image_files
    from cli.out import Out
    from cli.reach import Reach, connect

    out, path = Out(json=as_json), result.expanduser()
    image_files.refuse_existing(path, replace=replace)
    body = {"pattern": pattern.value, "size_bytes": number(size, "--size"), "word_bytes": word}
    with connect(Reach(config), out) as client:
        image = client.post("/v1/test-contents", body)
        content = client.download(f"/v1/images/{image['sha256']}/content", format="raw")
    image_files.save(path, content, replace=replace)
    out.document(image)
    out.say(f"Saved as {path}.")


def _steps(recipe: Path) -> list[Any]:
    """Return the steps of a recipe file as plain tables; the daemon judges them."""
    import tomllib

    from cli.exit_codes import Exit
    from cli.failure import Failure

    try:
        table = tomllib.loads(recipe.expanduser().read_text(encoding="utf-8-sig"))
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise Failure(Exit.USAGE, f"{recipe}: {reason}", "Name a TOML file with steps = [...].") from error
    steps = table.get("steps")
    if not isinstance(steps, list) or len(table) > 1:
        raise Failure(
            Exit.USAGE, f"{recipe}: a recipe is one list called steps", 'Begin it with "steps = [".'
        )
    return steps
