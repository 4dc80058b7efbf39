"""Why a chip fails, why its board is dead, and reading an original that fails."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any
from urllib.parse import quote, urlencode

import typer

from cli.chip_options import AdapterOption, BankOption, OffsetOption, SkipOption, SupplyOption
from cli.handling import handled
from cli.options import ConfigOption, FormatOption, JsonOption, PartOption, PortOption, ProgrammerOption

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cli.out import Out

_STYLES = {"well": "green", "wrong": "bold red", "to-do": "yellow", "limit": "dim"}
_VERDICTS = {"well": "well", "wrong": "wrong", "to-do": "look", "limit": "not seen here"}


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("diagnose")(handled(diagnose))
    app.command("rescue-read")(handled(rescue_read))


def diagnose(
    part: PartOption,
    file: Annotated[
        str | None, typer.Argument(metavar="[FILE]", help="What the chip should hold; left out: not known.")
    ] = None,
    board_dead: Annotated[
        bool, typer.Option("--board-dead", help="The chip verifies and the board is dead: what to look at.")
    ] = False,
    access: Annotated[
        float | None,
        typer.Option("--access", metavar="NS", help="With --board-dead: how long the board waits for data."),
    ] = None,
    grade: Annotated[
        float | None,
        typer.Option("--grade", metavar="NS", help="With --board-dead: the chip's access time, as marked."),
    ] = None,
    vcc: Annotated[
        float | None,
        typer.Option("--vcc", metavar="VOLTS", help="With --board-dead: VCC measured at the chip."),
    ] = None,
    offset: OffsetOption = "0",
    format: FormatOption = None,
    skip: SkipOption = None,
    adapter: AdapterOption = None,
    bank: BankOption = None,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Look for what is wrong with a chip, without altering it.

    Checks the pins without power, reads in several ways at the part's own supplies, and says the likely
    causes with what speaks for each, or that it cannot tell.

    Example: romwright diagnose tern8.bin --part M27C512
    """
    from cli import image_files, jobs
    from cli.errand import errand, number, seat_of

    if board_dead:
        _walk(part, {"access_ns": access, "grade_ns": grade, "vcc_v": vcc}, config, port, programmer, as_json)
        return
    place = seat_of(adapter, bank)
    with errand(config, port, programmer, as_json=as_json) as trip:
        image = None if file is None else image_files.image_for(trip.client, trip.out, file, format)
        request = trip.request(
            "diagnose", part, image=image, **place, offset_bytes=number(offset, "--offset"),
            skip=[each.value for each in skip or ()],
        )  # fmt: skip
        trip.tell_adapter(request)
        jobs.finish(trip.out, trip.run(request))


def rescue_read(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Where to keep what the chip holds.")],
    part: PartOption,
    mask: Annotated[
        Path | None,
        typer.Option("--mask", metavar="FILE", help="Where to keep which bits are certain, a 1 for each."),
    ] = None,
    reads: Annotated[
        int, typer.Option("--reads", metavar="COUNT", min=2, max=250, help="How often, at each supply.")
    ] = 9,
    supply: SupplyOption = None,
    go_on: Annotated[
        str | None,
        typer.Option("--go-on", metavar="DIGEST", help="Go on from counts that a broken-off one kept."),
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Overwrite files that exist.")] = False,
    format: FormatOption = None,
    adapter: AdapterOption = None,
    bank: BankOption = None,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Read a failing chip many times; say what is certain.

    Reads at the part's lowest, nominal and highest supply, since cells that lose charge still read right at
    the lowest one. One that was broken off goes on with `romwright continue`.

    Example: romwright rescue-read original.bin --mask certain.bin --part 27C256 --reads 20
    """
    from cli import image_files, jobs
    from cli.errand import errand, seat_of

    for path in filter(None, (file, mask)):
        image_files.refuse_existing(path.expanduser(), replace=replace)
    chosen = image_files.format_for(file, format)
    place = seat_of(adapter, bank)
    with errand(config, port, programmer, as_json=as_json) as trip:
        request = trip.request(
            "rescue-read", part, **place, reads=reads, supply_checks_v=supply or None, image=go_on
        )
        trip.tell_adapter(request)
        job = trip.run(request)
        numbers = (job.get("outcome") or {}).get("numbers") or {}
        for target, key, kind in ((file, "content_sha256", chosen.value), (mask, "mask_sha256", "raw")):
            if target is not None and key in numbers:
                content = trip.client.download(f"/v1/images/{numbers[key]}/content", format=kind)
                image_files.save(target.expanduser(), content, replace=replace)
                trip.out.say(f"Kept in {target} ({kind}).")
        jobs.finish(trip.out, job)


def _walk(
    part: str,
    needs: dict[str, Any],
    config: Path | None,
    port: str | None,
    programmer: str | None,
    as_json: bool,
) -> None:
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config, port, programmer), out) as client:
        given = {name: value for name, value in needs.items() if value is not None}
        query = "" if programmer is None else f"?{urlencode({'programmer': programmer})}"
        found = client.post(f"/v1/parts/{quote(part, safe='')}/dead-board{query}", given)
        _show_walk(out, found)
        out.document(found)


def _show_walk(out: "Out", found: "Mapping[str, Any]") -> None:
    for at, point in enumerate(found["points"], 1):
        out.say(f"{at}. {point['title']}: {_VERDICTS[point['verdict']]}", _STYLES[point["verdict"]])
        source = f" [{point['source']}]" if point["source"] else ""
        out.say(f"   {point['words']}{source}")
