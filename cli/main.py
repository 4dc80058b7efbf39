"""The command line, `romwright`: what all commands share, and how it is started.

Only light things are imported here: a subject comes with its first command (`cli.late_commands`), and each
command brings in what it needs.
"""

import os
import sys
from typing import Annotated

import typer

from cli.exit_codes import exit_codes_text
from cli.late_commands import LateGroup

_EPILOG = (
    "Every command takes --json for one JSON document, and tells its result by its exit status:"
    " see `romwright help exit-codes`. With no hardware: `romwright demo`, or `romwright simulate`."
)

app = typer.Typer(
    name="romwright",
    cls=LateGroup,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    epilog=_EPILOG,
    context_settings={"help_option_names": ["--help", "-h"]},
)


def _show_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        print(f"romwright {version('romwright')}")
        raise typer.Exit


@app.callback()
def _romwright(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Program socketed memory chips: check the pins, program, verify at the part's supplies, keep records.

    Example: romwright program tern8.bin --part M27C512
    """


@app.command("help")
def show_help(
    context: typer.Context,
    topic: Annotated[str | None, typer.Argument(metavar="[TOPIC]", help="exit-codes, or a command.")] = None,
) -> None:
    """Show help on a command, or the exit statuses.

    Example: romwright help exit-codes
    """
    if topic == "exit-codes":
        print(exit_codes_text())
        return
    run(["--help"] if topic is None else [topic, "--help"])


def run(arguments: list[str] | None = None) -> None:
    """Run the command line and leave with its exit status; `arguments` None takes the process's own."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # an old code page must not end a command
    # Nothing that happens to be installed sees what we check, and no command waits while it is looked for.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    app(arguments, prog_name="romwright")


if __name__ == "__main__":
    run()
