"""Commands for working without hardware: simulate and demo."""

import typer


def register(app: typer.Typer) -> None:
    """Add the commands."""
