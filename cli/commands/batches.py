"""Commands about batches: N sets of a board, chip by chip."""

from enum import StrEnum
from typing import Annotated

import typer

from cli.commands.boards import BoardArgument, FileOption, HaveOption
from cli.handling import handled
from cli.options import ConfigOption, JsonOption, JunitOption, PortOption, ProgrammerOption
from cli.quoting import quoted

BatchArgument = Annotated[
    str | None, typer.Argument(metavar="[BATCH]", help="Batch number or id; left out: the newest.")
]
BellOption = Annotated[bool, typer.Option("--bell", help="Ring: once for a good chip, three times else.")]


class Order(StrEnum):
    """In which order chips are made."""

    BY_POSITION = "by-position"
    BY_SET = "by-set"


class Labels(StrEnum):
    """How labels are seen to."""

    NONE = "none"
    REMIND = "remind"
    CONFIRM = "confirm"


class Say(StrEnum):
    """What can be said to a batch."""

    CHIP_IN = "chip-in"
    LABEL_ON = "label-on"
    COUNT = "count"
    REJECT = "reject"
    YES = "yes"
    NO = "no"


def register(app: typer.Typer) -> None:
    """Add the commands."""
    batches = typer.Typer(no_args_is_help=True, help="Make many sets of a board, hands-free.")
    batches.command("start")(handled(start))
    batches.command("follow")(handled(follow))
    batches.command("list")(handled(list_batches))
    batches.command("show")(handled(show))
    batches.command("pause")(handled(pause))
    batches.command("resume")(handled(resume))
    batches.command("end")(handled(end))
    batches.command("say")(handled(say))
    batches.command("report")(handled(report))
    app.add_typer(batches, name="batch")


def start(
    board: BoardArgument,
    sets: Annotated[int, typer.Option("--sets", min=1, max=100, help="How many sets.")],
    file: FileOption = None,
    have: HaveOption = None,
    first_set: Annotated[
        int, typer.Option("--first-set", min=1, help="Number of the first set: serial numbers go on from it.")
    ] = 1,
    position: Annotated[
        list[str] | None, typer.Option("--position", metavar="LABEL", help="Only this one; several allowed.")
    ] = None,
    order: Annotated[
        Order | None, typer.Option("--order", help="Left out: by set only where sets have own numbers.")
    ] = None,
    retries: Annotated[int, typer.Option("--retries", min=0, max=9, help="Tries more at once.")] = 1,
    reseats: Annotated[
        int, typer.Option("--reseats", min=0, max=9, help="Tries more after it was put in again.")
    ] = 1,
    accept_matching: Annotated[
        bool, typer.Option("--accept-matching", help="Count chips that hold the content already.")
    ] = False,
    stop_after: Annotated[
        int, typer.Option("--stop-after", min=0, help="Pause after so many failed chips; 0: never.")
    ] = 3,
    re_verify: Annotated[
        int, typer.Option("--re-verify", min=0, help="Verify so many a second time in the end.")
    ] = 0,
    labels: Annotated[
        Labels, typer.Option("--labels", help="none, remind, or confirm: wait until each is on.")
    ] = Labels.REMIND,
    supplies_set: Annotated[
        bool, typer.Option("--supplies-set", help="Supplies that are set by hand have been set.")
    ] = False,
    allow_low_vcc: Annotated[
        bool, typer.Option("--allow-low-vcc", help="Consent to program at a VCC below the part's.")
    ] = False,
    read_back: Annotated[bool, typer.Option("--read-back", help="Verify by reading every byte.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask before the first chip.")] = False,
    detach: Annotated[bool, typer.Option("--detach", help="Start it, and do not follow it.")] = False,
    bell: BellOption = False,
    junit: JunitOption = None,
    programmer: ProgrammerOption = None,
    port: PortOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Start a batch and follow it: put chip after chip in, everything else goes by itself.

    Example: romwright batch start tern-16 --sets 20 --have "40 M27C512 blank 100ns"
    """
    from cli import batches as work
    from cli.chips_on_hand import named_files, on_hand, uploaded
    from cli.errand import errand

    with errand(config, port, programmer, as_json=as_json) as trip:
        shown = trip.client.get(f"/v1/boards/{quoted(board)}")
        names = [source["name"] for source in shown["sources"]]
        body = {
            "board": shown["id"],
            "sets": sets,
            "first_set": first_set,
            "positions": position or [],
            "programmer": trip.programmer["id"],
            "sources": uploaded(trip.client, trip.out, named_files(file or [], names, "--file")),
            "on_hand": [on_hand(text) for text in have or []],
            "order": order.value if order else None,
            "policy": {
                "retries": retries,
                "reseats": reseats,
                "matching": "accept" if accept_matching else "set-aside",
                "stop_after_rejects": stop_after,
                "re_verify": re_verify,
                "labels": labels.value,
            },
            "hand_set_confirmed": supplies_set,
            "allow_low_vcc": allow_low_vcc,
            "read_back": read_back,
        }
        work.confirm(trip, body, yes=yes)
        begun = work.begin(trip.client, body)
        if detach:
            trip.out.document(begun)
            trip.out.say(f"Batch {begun['number']} goes on by itself: `romwright batch follow`.")
            return
        work.follow(trip.client, trip.out, begun, bell=bell, junit=junit)


def follow(
    name: BatchArgument = None,
    bell: BellOption = False,
    junit: JunitOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Follow a batch to its end. With --json each event is one line of JSON, the batch itself the last.

    Example: romwright batch follow --bell
    """
    from cli import batches as work

    with work.reached(config, as_json) as (client, out):
        work.follow(client, out, work.find(client, name), bell=bell, junit=junit)


def list_batches(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List batches, newest first."""
    from cli import batches as work

    with work.reached(config, as_json) as (client, out):
        found = client.get("/v1/batches")
        out.document(found)
        rows = [
            (each["number"], each["board_name"], each["state"], f"{each['made']} of {each['total']}")
            for each in found["batches"]
        ]
        out.table(("Batch", "Board", "State", "Made"), rows)


def show(name: BatchArgument = None, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Show how a batch stands: counts, yield, times, rejects by cause, what remains.

    Example: romwright batch show
    """
    from cli import batches as work
    from cli.batch_view import show_results

    with work.reached(config, as_json) as (client, out):
        found = work.find(client, name)
        out.document(found)
        show_results(out, found)


def pause(name: BatchArgument = None, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Pause a batch: the chip in hand is finished first."""
    from cli import batches as work

    work.act(name, "pause", config, as_json)


def resume(
    name: BatchArgument = None,
    bell: BellOption = False,
    junit: JunitOption = None,
    detach: Annotated[bool, typer.Option("--detach", help="Resume it, and do not follow it.")] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Go on with a batch that was paused, or that a restart has stopped, and follow it."""
    from cli import batches as work

    with work.reached(config, as_json) as (client, out):
        found = work.find(client, name, state="paused")
        resumed = client.post(f"/v1/batches/{found['id']}/acts", {"act": "resume"})
        if detach:
            out.document(resumed)
            out.say(resumed["instruction"]["words"])
            return
        work.follow(client, out, resumed, bell=bell, junit=junit)


def end(name: BatchArgument = None, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Give a batch up; what is made stays made."""
    from cli import batches as work

    work.act(name, "end", config, as_json)


def say(
    what: Annotated[Say, typer.Argument(help="chip-in, label-on, count, reject, yes or no.")],
    name: BatchArgument = None,
    why: Annotated[str, typer.Option("--why", help="Why a chip is thrown out.")] = "thrown out by hand",
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what a hand at the bench would: the chip is in, the label is on, count it, throw it out.

    Example: romwright batch say label-on
    """
    from cli import batches as work

    work.act(name, what.value, config, as_json, words=why)


def report(
    name: BatchArgument = None,
    junit: JunitOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Report every chip of a batch, as text, as JSON, or as JUnit XML.

    Example: romwright batch report --junit batch.xml
    """
    from cli import batches as work
    from cli.batch_view import result_words, show_results

    with work.reached(config, as_json) as (client, out):
        found = client.get(f"/v1/batches/{work.find(client, name)['id']}/report")
        out.document(found)
        show_results(out, found["batch"])
        for chip in found["chips"]:
            out.say(f"  {result_words(chip)}", "" if chip["good"] else "yellow")
        work.write_junit(client, out, found["batch"], junit)
