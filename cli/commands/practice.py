"""Commands for working without hardware: simulate and demo."""

from typing import Annotated

import typer

from cli.handling import handled


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("demo")(handled(demo))


def demo(
    speed: Annotated[
        float,
        typer.Option("--speed", min=0.1, max=1000, help="How fast simulated time runs; 1 is a real chip's."),
    ] = 1.0,
    pause_s: Annotated[
        float, typer.Option("--pause", min=0, max=60, metavar="SECONDS", help="Time to read between scenes.")
    ] = 3.0,
) -> None:
    """Watch the main job and three mishaps, with no hardware.

    Runs a simulated programmer and a daemon of its own in a temporary folder, and removes them afterwards.
    Ends with 1 when anything differs from what it promises.
    """
    from cli.demo.show import show
    from cli.out import Out

    show(Out(), speed=speed, pause_s=pause_s)
