"""Which image of the bench is in some content."""

import re
from pathlib import Path
from typing import Annotated

import typer

from cli.options import ConfigOption, JsonOption

_DIGEST = re.compile(r"[0-9a-fA-F]{8,64}")


def match(
    content: Annotated[
        str,
        typer.Argument(metavar="FILE", help="A file; or 8 or more digits of an uploaded image's SHA-256."),
    ],
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say which images, or slices of them, are in a file or in another image.

    A file is handed to the bench first, as `image add` does.

    Example: romwright image match dump.bin
    """
    from cli import image_files
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        path = Path(content).expanduser()
        if path.is_file() or not _DIGEST.fullmatch(content):
            sha256 = image_files.upload(client, out, path, None)["sha256"]
        else:
            sha256 = content
        found = client.get(f"/v1/images/{sha256}/matches")
    out.document(found)
    if not found["matches"]:
        out.say("No other image is in it.")
    for each in found["matches"]:
        out.say(f"{each['sha256'][:12]}  {each['words']}")
