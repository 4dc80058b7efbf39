"""How the answer is shown which parts can stand in."""

from collections import Counter
from collections.abc import Mapping
from typing import Any

from cli.out import Out, bytes_words


def show_stand_ins(out: Out, found: Mapping[str, Any], *, every: bool) -> None:
    """Print the place, and the parts with what must be done or why they cannot.

    Without `every`, those are left out that cannot, that take wiring of one's own, and that cannot be
    programmed; how many is told.
    """
    speed = f"{found['access_ns']:g} ns" if found["access_ns"] is not None else "speed not known"
    out.say(
        f"In {found['place']}: {found['words']:,} words of {found['width_bits']} bits,"
        f" {found['vcc_v']:.2f} V, {speed}",
        "bold",
    )
    shown = [each for each in found["stand_ins"] if every or _is_offered(each)]
    if shown:
        out.table(
            ("Part", "Maker", "Size", "Verdict", "Why, and what to do"),
            [
                (
                    each["part_name"],
                    each["maker"],
                    bytes_words(each["size_bytes"]),
                    each["verdict"],
                    "\n".join(_lines(each)),
                )
                for each in shown
            ],
        )
    left = Counter(_why_left_out(each) for each in found["stand_ins"] if each not in shown)
    if left:
        counts = ", ".join(f"{count} {why}" for why, count in sorted(left.items()))
        out.say(f"Not shown: {counts}. --all shows them, with why.")


def _is_offered(each: Mapping[str, Any]) -> bool:
    own_wiring = each["verdict"] == "adapter" and each["adapter"] is None
    return each["verdict"] != "cannot" and each["writable"] and not own_wiring


def _why_left_out(each: Mapping[str, Any]) -> str:
    if each["verdict"] == "cannot":
        return "that cannot"
    return "that would take an adapter of your own" if each["writable"] else "that cannot be programmed"


def _lines(each: Mapping[str, Any]) -> list[str]:
    lines = [*each["reasons"], *(task["text"] for task in each["tasks"])]
    if not each["writable"]:
        lines.append("It comes with its content and cannot be programmed.")
    return [*lines, *(f"Mind: {caution}" for caution in each["cautions"] if "not judged" not in caution)]
