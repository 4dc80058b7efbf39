"""Commands that work on the chip in the socket."""

from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.commands import examine
from cli.handling import handled
from cli.options import ConfigOption, FormatOption, JsonOption, PartOption, PortOption, ProgrammerOption

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cli.client import BenchClient
    from cli.out import Out


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
    typer.Argument(metavar="FILE", help="Image file; or 8 or more digits of an uploaded image's SHA-256."),
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


@dataclass(slots=True)
class Errand:
    """A command's way to its programmer."""

    out: "Out"
    client: "BenchClient"
    programmer: dict[str, Any]

    def request(self, kind: str, part: str, **more: Any) -> dict[str, Any]:
        """Build a job request; what is None is left to the daemon."""
        given = {name: value for name, value in more.items() if value is not None}
        return {"kind": kind, "part": part, "programmer": self.programmer["id"], **given}

    def run(self, request: dict[str, Any]) -> dict[str, Any]:
        """Start the job and follow it to its end."""
        from cli import jobs

        return jobs.see_through(self.client, self.out, jobs.start(self.client, "/v1/jobs", request))


@contextmanager
def errand(
    config: Path | None, port: str | None, programmer: str | None, *, as_json: bool
) -> "Iterator[Errand]":
    """Find or start the daemon, find the programmer, and close the connection in the end."""
    from cli.out import Out
    from cli.reach import Reach, choose_programmer, connect

    out = Out(json=as_json)
    reach = Reach(config, port, programmer)
    with connect(reach, out) as client:
        yield Errand(out, client, choose_programmer(client, reach))


def number(text: str | None, what: str) -> int | None:
    """Read a whole number, decimal or with 0x; raises typer's error for anything else."""
    if text is None:
        return None
    try:
        value = int(text, 0)
    except ValueError:
        raise typer.BadParameter(
            f"'{text}' is not a number: write 16384 or 0x4000", param_hint=what
        ) from None
    if value < 0:
        raise typer.BadParameter(f"{text} is below 0", param_hint=what)
    return value


def register(app: typer.Typer) -> None:
    """Add the commands."""
    for command in (program, write, verify, blank_check, read, identify, pin_check, erase):
        name = command.__name__.replace("_", "-")
        app.command(name)(handled(command))
    examine.register(app)


def program(
    file: FileArgument,
    part: PartOption,
    format: FormatOption = None,
    offset: OffsetOption = "0",
    fill: FillOption = "0xFF",
    repeat: RepeatOption = False,
    skip: SkipOption = None,
    supply: SupplyOption = None,
    allow_low_vcc: LowVccOption = False,
    supplies_set: SuppliesSetOption = False,
    accept_signature: AcceptOption = False,
    read_back: ReadBackOption = False,
    yes: YesOption = False,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Program a chip and verify it: the main job.

    Checks the pins, the signature and that the chip is blank, programs it by the part's own loop, and
    verifies it at the part's supplies. Before anything is powered you see the voltages and pins, to compare
    with the marking on the chip.

    Example: romwright program tern8.bin --part M27C512
    """
    place = _placement(offset, fill, repeat)
    consents = {
        "skip": [each.value for each in skip or ()],
        "allow_low_vcc": allow_low_vcc,
        "hand_set_confirmed": supplies_set,
        "accept_signature": accept_signature,
        "read_back": read_back,
        "supply_checks_v": supply or None,
    }
    with errand(config, port, programmer, as_json=as_json) as trip:
        _alter(trip, "program", file, part, format, {**place, **consents}, yes=yes)


def write(
    file: FileArgument,
    part: PartOption,
    format: FormatOption = None,
    offset: OffsetOption = "0",
    fill: FillOption = "0xFF",
    repeat: RepeatOption = False,
    skip: SkipOption = None,
    allow_low_vcc: LowVccOption = False,
    supplies_set: SuppliesSetOption = False,
    yes: YesOption = False,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Only program: no blank check before, no verify after.

    Example: romwright write tern8.bin --part M27C512
    """
    more = {
        **_placement(offset, fill, repeat),
        "skip": [each.value for each in skip or ()],
        "allow_low_vcc": allow_low_vcc,
        "hand_set_confirmed": supplies_set,
    }
    with errand(config, port, programmer, as_json=as_json) as trip:
        _alter(trip, "write", file, part, format, more, yes=yes)


def verify(
    file: FileArgument,
    part: PartOption,
    format: FormatOption = None,
    offset: OffsetOption = "0",
    fill: FillOption = "0xFF",
    repeat: RepeatOption = False,
    supply: SupplyOption = None,
    supplies_set: SuppliesSetOption = False,
    read_back: ReadBackOption = False,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Compare the chip with an image at the part's supplies.

    These are the supplies at which the part's maker wants its content checked.

    Example: romwright verify tern8.bin --part M27C512
    """
    from cli import image_files, jobs

    place = _placement(offset, fill, repeat)
    with errand(config, port, programmer, as_json=as_json) as trip:
        image = image_files.image_for(trip.client, trip.out, file, format)
        request = trip.request(
            "verify", part, image=image, **place, supply_checks_v=supply or None,
            hand_set_confirmed=supplies_set, read_back=read_back,
        )  # fmt: skip
        jobs.finish(trip.out, trip.run(request))


def blank_check(
    part: PartOption,
    start: StartOption = "0",
    length: LengthOption = None,
    supplies_set: SuppliesSetOption = False,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Count the bits that are not erased.

    Looks at the nominal supply and at the lowest one that part and programmer allow: a chip can read blank at
    the first and still hold charge that shows at the second.

    Example: romwright blank-check --part M27C512
    """
    from cli import jobs

    place = _range(start, length)
    with errand(config, port, programmer, as_json=as_json) as trip:
        request = trip.request("blank-check", part, **place, hand_set_confirmed=supplies_set)
        jobs.finish(trip.out, trip.run(request))


def read(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Where to keep what the chip holds.")],
    part: PartOption,
    format: FormatOption = None,
    start: StartOption = "0",
    length: LengthOption = None,
    supply: Annotated[
        float | None,
        typer.Option("--supply", metavar="VOLTS", help="VCC to read at; left out: the nominal one."),
    ] = None,
    supplies_set: SuppliesSetOption = False,
    replace: Annotated[bool, typer.Option("--replace", help="Overwrite the file if it exists.")] = False,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Read a chip into a file.

    The file gets plain bytes, or the format that its name suggests (.hex, .s19) or --format says.

    Example: romwright read before-erasing.bin --part M27C512
    """
    from cli import image_files, jobs

    path = file.expanduser()
    image_files.refuse_existing(path, replace=replace)
    chosen = image_files.format_for(path, format)
    with errand(config, port, programmer, as_json=as_json) as trip:
        request = trip.request(
            "read", part, **_range(start, length), hand_set_confirmed=supplies_set,
            supply_checks_v=None if supply is None else [supply],
        )  # fmt: skip
        job = trip.run(request)
        if (job["outcome"].get("numbers") or {}).get("content_sha256"):
            content = trip.client.download(f"/v1/jobs/{job['id']}/content", format=chosen.value)
            image_files.save(path, content, replace=replace)
            trip.out.say(f"Kept in {path} ({chosen.value}).")
        jobs.finish(trip.out, job)


def identify(
    part: PartOption,
    supplies_set: SuppliesSetOption = False,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Read the chip's signature and compare it with the part's.

    The part must be named: the ID voltage that the codes need can destroy parts that do not have them.

    Example: romwright identify --part M27C512
    """
    from cli import jobs

    with errand(config, port, programmer, as_json=as_json) as trip:
        request = trip.request("identify", part, hand_set_confirmed=supplies_set)
        jobs.finish(trip.out, trip.run(request))


def pin_check(
    part: PartOption,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """See whether every pin touches, with nothing powered.

    Tells a chip that is in backwards, shifted or missing, and each pin without contact by number and signal.

    Example: romwright pin-check --part M27C512
    """
    from cli import jobs

    with errand(config, port, programmer, as_json=as_json) as trip:
        jobs.finish(trip.out, trip.run(trip.request("pin-check", part)))


def erase(
    part: PartOption,
    scope: Annotated[
        Scope, typer.Option("--scope", metavar="SCOPE", help="chip, or sector for the sectors of the range.")
    ] = Scope.CHIP,
    start: StartOption = "0",
    length: LengthOption = None,
    supplies_set: SuppliesSetOption = False,
    yes: YesOption = False,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Erase electrically, and check that it is blank.

    For parts that are erased by UV light see `romwright erase-time`. Read the chip into a file first: what it
    holds may be the only copy.

    Example: romwright erase --part SST39SF040
    """
    from cli import jobs

    place = _range(start, length)
    with errand(config, port, programmer, as_json=as_json) as trip:
        request = trip.request(
            "erase", part, **place, erase={"scope": scope.value}, hand_set_confirmed=supplies_set
        )
        jobs.confirm(trip.client, trip.out, request, trip.programmer, yes=yes)
        jobs.finish(trip.out, trip.run(request))


def _alter(
    trip: Errand, kind: str, file: str, part: str, format: Any, more: dict[str, Any], *, yes: bool
) -> None:
    from cli import image_files, jobs

    image = image_files.image_for(trip.client, trip.out, file, format)
    request = trip.request(kind, part, image=image, **more)
    jobs.confirm(trip.client, trip.out, request, trip.programmer, yes=yes)
    jobs.finish(trip.out, trip.run(request))


def _placement(offset: str, fill: str, repeat: bool) -> dict[str, Any]:
    return {"offset_bytes": number(offset, "--offset"), "fill": number(fill, "--fill"), "repeat": repeat}


def _range(start: str, length: str | None) -> dict[str, Any]:
    return {"start_bytes": number(start, "--start"), "length_bytes": number(length, "--length")}
