"""Options that several commands share."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document instead of text.")]
ConfigOption = Annotated[
    Path | None,
    typer.Option("--config", metavar="FILE", help="Configuration file to use instead of the usual one."),
]
PortOption = Annotated[
    str | None,
    typer.Option(
        "--port",
        metavar="PORT",
        help="The programmer's serial port, such as /dev/ttyUSB0, COM3 or what `romwright simulate` prints.",
    ),
]
ProgrammerOption = Annotated[
    str | None,
    typer.Option(
        "--programmer", metavar="NAME", help="Which programmer; only needed when several are connected."
    ),
]
PartOption = Annotated[
    str, typer.Option("--part", metavar="PART", help="The part, as marked on the chip: M27C512.")
]
JunitOption = Annotated[
    Path | None, typer.Option("--junit", metavar="FILE", help="Write a report as JUnit XML there.")
]
JobArgument = Annotated[
    str | None, typer.Argument(metavar="[JOB]", help="Job id or number; left out: the newest job.")
]


class FileFormat(StrEnum):
    """Formats of image files."""

    RAW = "raw"
    INTEL_HEX = "intel-hex"
    S_RECORD = "s-record"


FormatOption = Annotated[
    FileFormat | None,
    typer.Option(
        "--format",
        metavar="FORMAT",
        help="raw, intel-hex or s-record; left out: from the file's content or name.",
    ),
]
