"""A check of a tray as it is followed on the command line: what to put in, what was found, what goes back."""

import contextlib
import time
from dataclasses import dataclass
from typing import Any

from cli.client import BenchClient
from cli.exit_codes import Exit
from cli.exposures.report import show_cautions
from cli.failure import Failure
from cli.handling import leave
from cli.out import Out, time_words

_LOOK_S = 0.4
_STYLES = {
    "erased": "green",
    "counted": "green",
    "marginal": "yellow",
    "not-erased": "bold red",
    "will-not-erase": "bold red",
}


@dataclass(frozen=True, slots=True)
class Wanted:
    """What was asked for. `places` None: as the daemon chooses."""

    places: list[int] | None
    skip: tuple[int, ...]
    again: tuple[int, ...]
    give_up: bool
    adapter: str | None = None


def check_tray(
    client: BenchClient, out: Out, exposure: dict[str, Any], programmer: str, wanted: Wanted
) -> None:
    """Begin a check, or go on with one, and follow it. Leaves with NEGATIVE when a chip is not erased."""
    path = f"/v1/exposures/{exposure['id']}/check"
    if wanted.give_up:
        ended = client.post(f"{path}/cancel")
        out.document(ended)
        _show(out, ended)
        return
    shown = _begin(client, path, programmer, wanted)
    try:
        shown = _follow(client, out, path, shown)
    except KeyboardInterrupt:
        with contextlib.suppress(Failure):  # it may have just ended
            shown = client.post(f"{path}/pause")
        out.document(shown)
        out.note("Paused: the same command goes on.", "yellow")
        leave(Exit.INTERRUPTED)
    out.document(shown)
    _show(out, shown)
    if shown["state"] != "done":
        leave(Exit.BROKEN_OFF)
    if any(chip["state"] not in ("erased", "counted") for chip in shown["chips"]):
        leave(Exit.NEGATIVE)


def _begin(client: BenchClient, path: str, programmer: str, wanted: Wanted) -> dict[str, Any]:
    newest = _newest(client, path)
    if newest is not None and newest["state"] == "paused":
        body = {"skip": wanted.skip, "again": wanted.again}
        found: dict[str, Any] = client.post(f"{path}/continue", body)
        return found
    if newest is not None and newest["state"] == "checking":
        return newest
    if wanted.skip or wanted.again:
        raise Failure(
            Exit.USAGE, "no check of this tray stands still", "Without --skip and --again one begins."
        )
    wish: dict[str, Any] = {"programmer": programmer}
    wish |= {"places": wanted.places} if wanted.places else {}
    wish |= {"adapter": wanted.adapter} if wanted.adapter else {}
    begun: dict[str, Any] = client.post(path, wish)
    return begun


def _newest(client: BenchClient, path: str) -> dict[str, Any] | None:
    try:
        found: dict[str, Any] = client.get(path)
    except Failure as failure:
        if failure.code != "not-found":
            raise
        return None
    return found


def _follow(client: BenchClient, out: Out, path: str, shown: dict[str, Any]) -> dict[str, Any]:
    prompt, told = "", {chip["place"] for chip in shown["chips"] if chip["state"]}
    while True:
        for chip in shown["chips"]:
            if chip["state"] and chip["place"] not in told:
                told.add(chip["place"])
                _tell(out, chip)
        if shown["prompt"] != prompt:
            prompt = shown["prompt"]
            if prompt and not out.json:
                out.say(f"[{shown['checked']} of {len(shown['chips'])}] {prompt}", "bold")
        if shown["state"] != "checking":
            return shown
        time.sleep(_LOOK_S)
        shown = client.get(path)


def _tell(out: Out, chip: dict[str, Any]) -> None:
    out.say(f"  Place {chip['place']}, {chip['label']}: {chip['words']}", _STYLES.get(chip["state"], ""))


def _show(out: Out, shown: dict[str, Any]) -> None:
    out.table(
        ("Place", "Part", "Found", "Bits", "Back under the lamp"),
        [
            (
                chip["place"],
                chip["label"],
                chip["state"] or "not looked at",
                "" if chip["bits"] is None else f"{chip['bits']:,}",
                _back(shown, chip["place"]),
            )
            for chip in shown["chips"]
        ],
    )
    out.say(shown["advice"], "bold")
    show_cautions(out, shown)


def _back(shown: dict[str, Any], place: int) -> str:
    for each in shown["back"]:
        if each["place"] == place:
            return time_words(each["lit_s"]) if each["lit_s"] else "a quarter more"
    return ""
