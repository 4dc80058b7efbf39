"""Commands about images that the bench keeps."""

from pathlib import Path
from typing import Annotated

import typer

from cli.commands.matching import match
from cli.handling import handled
from cli.options import ConfigOption, FormatOption, JsonOption

ImageArgument = Annotated[
    str, typer.Argument(metavar="SHA256", help="The image's SHA-256, or its first 8 or more digits.")
]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    images = typer.Typer(no_args_is_help=True, help="Add, list, show, save and remove images.")
    images.command("add")(handled(add))
    images.command("list")(handled(list_images))
    images.command("show")(handled(show))
    images.command("save")(handled(save))
    images.command("remove")(handled(remove))
    images.command("match")(handled(match))
    app.add_typer(images, name="image")


def add(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Raw bytes, Intel HEX, S-records or ELF.")],
    format: FormatOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Hand an image file to the bench; `program` does this by itself.

    Example: romwright image add tern8.hex
    """
    from cli import image_files
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        image = image_files.upload(client, out, file.expanduser(), format)
    out.document(image)
    out.say(image["sha256"])


def list_images(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List the images, newest first."""
    from cli.out import Out, bytes_words, when_words
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = client.get("/v1/images")
    out.document(found)
    out.table(
        ("SHA-256", "Name", "Size", "CRC-32", "Format", "Added"),
        [
            (
                each["sha256"][:12],
                each["name"],
                bytes_words(each["size_bytes"]),
                each["facts"].get("crc32") or "",
                each["format"],
                when_words(each["created_at"]),
            )
            for each in found["images"]
        ],
    )


def show(image: ImageArgument, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Show an image's figures: checksums, where its content lies, how much is blank."""
    from cli.out import Out, bytes_words, when_words
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = client.get(f"/v1/images/{image}")
    out.document(found)
    facts = found["facts"]
    rows = [
        ("SHA-256", found["sha256"]),
        ("Name", found["name"]),
        ("Size", bytes_words(found["size_bytes"])),
        ("Format", found["format"]),
        ("Added", when_words(found["created_at"])),
        ("CRC-32", facts.get("crc32")),
        ("16-bit sum of bytes", facts.get("byte_sum_16")),
        ("16-bit sum of words", facts.get("word_sum_le_16")),
        ("SHA-1", facts.get("sha1")),
        ("Blank", f"{facts['blank_share']:.0%}" if facts.get("blank_share") is not None else None),
    ]
    for each in facts.get("ranges", []):
        rows.append(("Content", f"{each['start_bytes']:#x} to {each['end_bytes'] - 1:#x}"))
    for name, value in rows:
        if value is not None:
            out.say(f"{name:<20} {value}")


def save(
    image: ImageArgument,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Where to save it.")],
    format: FormatOption = None,
    replace: Annotated[bool, typer.Option("--replace", help="Overwrite the file if it exists.")] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Save an image as a file, in any of the formats."""
    from cli import image_files
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    path = file.expanduser()
    image_files.refuse_existing(path, replace=replace)
    chosen = image_files.format_for(path, format)
    with connect(Reach(config), out) as client:
        found = client.get(f"/v1/images/{image}")
        content = client.download(f"/v1/images/{found['sha256']}/content", format=chosen.value)
    image_files.save(path, content, replace=replace)
    out.document({**found, "saved_as": str(path), "saved_format": chosen.value})
    out.say(f"Saved as {path} ({chosen.value}).")


def remove(image: ImageArgument, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Forget an image. Refused while a job that has not ended needs it."""
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = client.get(f"/v1/images/{image}")
        client.delete(f"/v1/images/{found['sha256']}")
    out.document({"removed": found["sha256"]})
    out.say(f"Removed {found['name']} ({found['sha256'][:12]}).")
