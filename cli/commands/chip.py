"""Commands that work on the chip in the socket."""

from pathlib import Path
from typing import Annotated, Any

import typer

from cli.chip_options import (
    AcceptOption,
    AdapterOption,
    BankOption,
    FileArgument,
    FillOption,
    LengthOption,
    LowVccOption,
    OffsetOption,
    ReadBackOption,
    RepeatOption,
    Scope,
    SkipOption,
    StartOption,
    SuppliesSetOption,
    SupplyOption,
    YesOption,
)
from cli.commands import examine
from cli.errand import Errand, errand, number, seat_of
from cli.handling import handled
from cli.options import ConfigOption, FormatOption, JsonOption, PartOption, PortOption, ProgrammerOption


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
    adapter: AdapterOption = None,
    bank: BankOption = None,
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
    place = {**seat_of(adapter, bank), **_placement(offset, fill, repeat)}
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
    adapter: AdapterOption = None,
    bank: BankOption = None,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Only program: no blank check before, no verify after.

    Example: romwright write tern8.bin --part M27C512
    """
    more = {
        **seat_of(adapter, bank),
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
    adapter: AdapterOption = None,
    bank: BankOption = None,
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

    place = {**seat_of(adapter, bank), **_placement(offset, fill, repeat)}
    with errand(config, port, programmer, as_json=as_json) as trip:
        image = image_files.image_for(trip.client, trip.out, file, format)
        request = trip.request(
            "verify", part, image=image, **place, supply_checks_v=supply or None,
            hand_set_confirmed=supplies_set, read_back=read_back,
        )  # fmt: skip
        trip.tell_adapter(request)
        jobs.finish(trip.out, trip.run(request))


def blank_check(
    part: PartOption,
    start: StartOption = "0",
    length: LengthOption = None,
    supplies_set: SuppliesSetOption = False,
    adapter: AdapterOption = None,
    bank: BankOption = None,
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

    place = {**seat_of(adapter, bank), **_range(start, length)}
    with errand(config, port, programmer, as_json=as_json) as trip:
        request = trip.request("blank-check", part, **place, hand_set_confirmed=supplies_set)
        trip.tell_adapter(request)
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
    adapter: AdapterOption = None,
    bank: BankOption = None,
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
    place = {**seat_of(adapter, bank), **_range(start, length)}
    with errand(config, port, programmer, as_json=as_json) as trip:
        request = trip.request(
            "read", part, **place, hand_set_confirmed=supplies_set,
            supply_checks_v=None if supply is None else [supply],
        )  # fmt: skip
        trip.tell_adapter(request)
        job = trip.run(request)
        if (job["outcome"].get("numbers") or {}).get("content_sha256"):
            content = trip.client.download(f"/v1/jobs/{job['id']}/content", format=chosen.value)
            image_files.save(path, content, replace=replace)
            trip.out.say(f"Kept in {path} ({chosen.value}).")
        jobs.finish(trip.out, job)


def identify(
    part: PartOption,
    supplies_set: SuppliesSetOption = False,
    adapter: AdapterOption = None,
    bank: BankOption = None,
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

    place = seat_of(adapter, bank)
    with errand(config, port, programmer, as_json=as_json) as trip:
        request = trip.request("identify", part, **place, hand_set_confirmed=supplies_set)
        trip.tell_adapter(request)
        jobs.finish(trip.out, trip.run(request))


def pin_check(
    part: PartOption,
    adapter: AdapterOption = None,
    bank: BankOption = None,
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

    place = seat_of(adapter, bank)
    with errand(config, port, programmer, as_json=as_json) as trip:
        request = trip.request("pin-check", part, **place)
        trip.tell_adapter(request)
        jobs.finish(trip.out, trip.run(request))


def erase(
    part: PartOption,
    scope: Annotated[
        Scope, typer.Option("--scope", metavar="SCOPE", help="chip, or sector for the sectors of the range.")
    ] = Scope.CHIP,
    start: StartOption = "0",
    length: LengthOption = None,
    supplies_set: SuppliesSetOption = False,
    yes: YesOption = False,
    adapter: AdapterOption = None,
    bank: BankOption = None,
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

    place = {**seat_of(adapter, bank), **_range(start, length)}
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
