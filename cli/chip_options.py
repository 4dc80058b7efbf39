"""Options that the commands on a chip share."""

from enum import StrEnum
from typing import Annotated

import typer


class Skip(StrEnum):
    """Checks that may be left out."""

    PIN_CHECK = "pin-check"
    SIGNATURE = "signature"
    BLANK_CHECK = "blank-check"


class Scope(StrEnum):
    """How much an electrical erase covers."""

    CHIP = "chip"
    SECTOR = "sector"


FileArgument = Annotated[
    str,
    typer.Argument(
        metavar="FILE",
        help="Image file: raw, Intel HEX, S-records or ELF; or 8 or more digits of a stored image's SHA-256.",
    ),
]
OffsetOption = Annotated[
    str,
    typer.Option("--offset", metavar="BYTES", help="Where in the part the image's address 0 goes: 0x4000."),
]
FillOption = Annotated[
    str, typer.Option("--fill", metavar="BYTE", help="Byte for what the image does not cover.")
]
RepeatOption = Annotated[bool, typer.Option("--repeat", help="Repeat the image until it fills the part.")]
SkipOption = Annotated[
    list[Skip] | None,
    typer.Option(
        "--skip",
        metavar="CHECK",
        help="Leave out pin-check, signature or blank-check; recorded as not checked.",
    ),
]
SupplyOption = Annotated[
    list[float] | None,
    typer.Option(
        "--supply", metavar="VOLTS", help="VCC to look at; several allowed. Left out: the part's own."
    ),
]
StartOption = Annotated[str, typer.Option("--start", metavar="BYTES", help="First byte: 0x4000 or 16384.")]
LengthOption = Annotated[
    str | None, typer.Option("--length", metavar="BYTES", help="How many bytes; left out: to the end.")
]
YesOption = Annotated[bool, typer.Option("--yes", help="Do not ask: the marking has been compared.")]
SuppliesSetOption = Annotated[
    bool, typer.Option("--supplies-set", help="The supplies that are set by hand are set already.")
]
LowVccOption = Annotated[
    bool, typer.Option("--allow-low-vcc", help="Agree to program at a VCC below the part's.")
]
ReadBackOption = Annotated[
    bool, typer.Option("--read-back", help="Verify by reading every byte back, not only by digest.")
]
AcceptOption = Annotated[
    bool, typer.Option("--accept-signature", help="Go on although the chip names itself as another part.")
]
AdapterOption = Annotated[
    str | None,
    typer.Option("--adapter", metavar="NAME", help="Adapter that the chip sits on; left out: none."),
]
BankOption = Annotated[
    int | None,
    typer.Option(
        "--bank",
        metavar="N",
        min=0,
        max=63,
        help="Which part of the chip the adapter's switches select, from 0.",
    ),
]
