"""Arguments that several commands about exposures share."""

from typing import Annotated

import typer

ExposureArgument = Annotated[
    str | None, typer.Argument(metavar="[EXPOSURE]", help="Its number or id; left out: the newest open one.")
]
LampOption = Annotated[str, typer.Option("--lamp", metavar="LAMP", help="A lamp of this bench.")]
ChipsOption = Annotated[
    list[str],
    typer.Option(
        "--chips",
        metavar="CHIPS",
        help='"6 M27C512", with a lot "6 M27C512 @spares", with own numbers "M27C512 #17 #18".',
    ),
]
PlacesArgument = Annotated[list[int], typer.Argument(metavar="PLACES", help="Places on the tray, from 1.")]
WhichOption = Annotated[
    str | None, typer.Option("--exposure", metavar="EXPOSURE", help="Left out: the newest open one.")
]
