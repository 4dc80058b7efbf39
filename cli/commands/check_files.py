"""The check of part and adapter files that users write themselves."""

from pathlib import Path
from typing import Annotated

import typer

from cli.handling import handled, leave
from cli.options import ConfigOption, JsonOption


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("check-files")(handled(check_files))


def check_files(
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="[FOLDER]", help="A folder, or one file; left out: the bench's own folders."),
    ] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Check files of parts and adapters that you wrote.

    Says file, key, what is wrong with it, and the nearest valid choice. Needs no daemon. Ends with 1 when
    something is wrong.

    Example: romwright check-files my-parts
    """
    from cli.exit_codes import Exit
    from cli.failure import Failure
    from cli.out import Out
    from cli.reach import load_settings
    from daemon.adapters.folder import check_folder, check_own

    out = Out(json=as_json)
    if folder is None:
        settings = load_settings(config).settings
        places = [settings.parts_dir, settings.adapters_dir]
        found = check_own(*places)
    else:
        places = [folder.expanduser()]
        if not places[0].exists():
            raise Failure(Exit.USAGE, f"{folder}: there is no such folder", "Name a folder or a TOML file.")
        found = check_folder(places[0])
    out.document(
        {
            "folders": [str(place) for place in places],
            "files": [str(file) for file in found.files],
            "problems": [
                {
                    "file": str(each.file),
                    "key": each.key,
                    "reason": each.reason,
                    "nearest": each.nearest,
                    "text": each.text,
                }
                for each in found.problems
            ],
        }
    )
    for each in found.problems:
        out.say(each.text, "red")
    where = " and ".join(str(place) for place in places)
    if not found.files and not found.problems:
        out.say(f"No files of parts or adapters in {where}.")
    elif not found.problems:
        count = len(found.files)
        out.say(f"{count} file{'s' if count > 1 else ''} checked in {where}: nothing is wrong.", "green")
    leave(Exit.NEGATIVE if found.problems else Exit.DONE)
