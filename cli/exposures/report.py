"""Exposures as they are found and shown on the command line, and chips as they are written there."""

from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from cli.client import BenchClient
    from cli.out import Out


def find_exposure(client: "BenchClient", name: str | None) -> dict[str, Any]:
    """Return the exposure that is named, or the newest open one. Raises `Failure` when there is none."""
    from cli.exit_codes import Exit
    from cli.failure import Failure

    if name is not None:
        found: dict[str, Any] = client.get(f"/v1/exposures/{name}")
        return found
    opened = client.get("/v1/exposures", open_only=True, limit=1)["exposures"]
    if not opened:
        raise Failure(Exit.USAGE, "no exposure is open", "Plan one: romwright exposure plan --lamp ...")
    newest: dict[str, Any] = opened[0]
    return newest


def read_chips(texts: list[str]) -> list[dict[str, Any]]:
    """Read "6 M27C512 @spares #17 #18": amount, lot and the chips' own numbers may be left out.

    Raises typer's error for what names no part.
    """
    wanted = []
    for text in texts:
        rest, *numbers = (piece.strip() for piece in text.split("#"))
        body, _, lot = rest.partition("@")
        first, _, after = body.strip().partition(" ")
        counted = first.isdigit() and bool(after)
        part = after.strip() if counted else body.strip()
        if not part:
            raise typer.BadParameter(f"'{text}' names no part: write \"6 M27C512\"", param_hint="--chips")
        amount = int(first) if counted else max(1, len(numbers))
        found: dict[str, Any] = {"part": part, "chips": amount}
        found |= {"lot": lot.strip()} if lot.strip() else {}
        found |= {"numbers": numbers} if numbers else {}
        wanted.append(found)
    return wanted


def show_exposure(out: "Out", exposure: dict[str, Any], *, cautions: bool) -> None:
    """Show an exposure: the countdown, each chip, what to do next."""
    from cli.out import time_words

    out.document(exposure)
    out.say(
        f"Exposure {exposure['number']} under {exposure['lamp']}: {exposure['state']}, lit"
        f" {time_words(exposure['lit_s']) if exposure['lit_s'] else '0 s'} so far",
        "bold",
    )
    out.table(
        ("Place", "Part", "", "Along mm", "Across mm", "Light", "To go", "Bits left", "Why"),
        [_row(chip) for chip in exposure["chips"]],
    )
    if exposure["question"]:
        out.say(exposure["question"]["words"], "bold yellow")
    out.say(exposure["advice"], "bold")
    for warning in exposure["warnings"]:
        out.say(f"! {warning}", "bold yellow")
    if cautions:
        show_cautions(out, exposure)


def _row(chip: dict[str, Any]) -> tuple[object, ...]:
    from cli.out import time_words

    role = "count" if chip["sentinel"] else ""
    left = chip["counts"][-1]["bits_left"] if chip["counts"] else None
    to_go = chip["remaining_lit_s"]
    return (
        chip["place"],
        chip["label"],
        role if chip["inside"] else "out",
        f"{chip['along_mm']:.0f}",
        f"{chip['across_mm']:.0f}",
        time_words(chip["light_s"]) if chip["light_s"] else "",
        "" if to_go is None else time_words(to_go) if to_go else "due",
        "" if left is None else f"{left:,}",
        chip["problem"] or chip["rule"],
    )


def show_cautions(out: "Out", found: dict[str, Any]) -> None:
    """Show what is to be known before the lamp is lit."""
    for caution in found["cautions"]:
        out.say(f"! {caution['text']}", "yellow")
