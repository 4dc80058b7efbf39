"""Commands that look at chips of an exposure: one, or the whole tray with no key pressed."""

from typing import Annotated

import typer

from cli.errand import errand
from cli.exposures.options import WhichOption
from cli.handling import handled
from cli.options import ConfigOption, JsonOption, PartOption, PortOption, ProgrammerOption

PlacesOption = Annotated[
    list[int] | None, typer.Argument(metavar="[PLACES]", help="Which; left out: all that are to be checked.")
]


def register(group: typer.Typer) -> None:
    """Add the commands."""
    group.command("count")(handled(count))
    group.command("check")(handled(check))


def erase_check(
    part: PartOption,
    chip: Annotated[
        str | None, typer.Option("--chip", metavar="NUMBER", help="The chip's own number, for its history.")
    ] = None,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """State how well light has erased a chip.

    Counts the bits left, five times, at the nominal and at the lowest supply that part and programmer allow.
    For a chip of an exposure use `romwright exposure count`, which also knows how much light it had.

    Example: romwright erase-check --part M27C512
    """
    from cli import jobs

    with errand(config, port, programmer, as_json=as_json) as trip:
        jobs.finish(trip.out, trip.run(trip.request("erase-check", part, chip=chip)))


def count(
    place: Annotated[int, typer.Argument(metavar="PLACE", help="Which chip is in the socket: its place.")],
    name: WhichOption = None,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Count the bits left in one chip of an exposure.

    Runs an erase check on the chip in the socket; its count is kept with the exposure. The first, before any
    light, says how many bits there are to erase.

    Example: romwright exposure count 3
    """
    from cli import jobs
    from cli.exposures.report import find_exposure
    from cli.report import status_of_job

    with errand(config, port, programmer, as_json=as_json) as trip:
        found = find_exposure(trip.client, name)
        chip = next((each for each in found["chips"] if each["place"] == place), None)
        if chip is None:
            raise typer.BadParameter(f"this tray has places 1 to {len(found['chips'])}", param_hint="PLACE")
        light = {"exposure": found["id"], "place": place}
        job = trip.run(trip.request("erase-check", chip["part_id"], light=light))
        kept = ((job.get("outcome") or {}).get("numbers") or {}).get("count_kept", False)
        if not kept:
            jobs.finish(trip.out, job)
        shown = trip.client.get(f"/v1/exposures/{found['id']}")
        trip.out.document({"job": job, "exposure": shown})
        trip.out.say(shown["advice"], "bold")
        if chip["light_s"] > 0:
            from cli.handling import leave

            leave(status_of_job(job))


def check(
    places: PlacesOption = None,
    name: WhichOption = None,
    skip: Annotated[
        list[int] | None, typer.Option("--skip", metavar="PLACE", help="Go on without this place.")
    ] = None,
    again: Annotated[
        list[int] | None, typer.Option("--again", metavar="PLACE", help="Go on, and look at this one again.")
    ] = None,
    adapter: Annotated[
        str | None, typer.Option("--adapter", metavar="ADAPTER", help="The adapter that the chips sit on.")
    ] = None,
    give_up: Annotated[bool, typer.Option("--give-up", help="End a check that is not done.")] = False,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Check the chips of a tray one after another, with no key pressed.

    Says which chip to put in, notices when it is in, looks at it at the lowest supply, and says what it
    found. Ctrl-C pauses; the same command goes on. Before any light it counts the sentinels. Ends with 1 when
    a chip is not erased.

    Example: romwright exposure check
    """
    from cli.exposures.report import find_exposure
    from cli.exposures.tray_check import Wanted, check_tray

    with errand(config, port, programmer, as_json=as_json) as trip:
        found = find_exposure(trip.client, name)
        wanted = Wanted(places or None, tuple(skip or ()), tuple(again or ()), give_up, adapter)
        check_tray(trip.client, trip.out, found, trip.programmer["id"], wanted)
