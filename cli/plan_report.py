"""A board's plan as people read it."""

from collections.abc import Iterator, Mapping
from typing import Any

from cli.out import Out, bytes_words, time_words

_PREPARATION = {
    "erase-by-job": "its job erases it first",
    "erase-by-light": "erase it with light first",
    "look-first": "its job looks first whether it is blank",
}


def show_plan(out: Out, plan: Mapping[str, Any]) -> None:
    """Print a plan: each position with its steps and chips, then what to buy and to erase."""
    for position in plan["positions"]:
        title = f"  {position['title']}" if position["title"] else ""
        out.say(f"{position['label']}{title}", "bold")
        for step in position["steps"]:
            change = ""
            if step["size_before"] != step["size_after"]:
                change = f"  ({bytes_words(step['size_before'])} to {bytes_words(step['size_after'])})"
            out.say(f"  {step['words']}{change}")
        rows = position["map"]["rows"]
        for row in rows[:4] if position["map"]["complete"] else rows[:2]:
            out.say(f"    {row['words']}", "dim")
        if len(rows) > 4 or not position["map"]["complete"]:
            out.say("    and so on", "dim")
        for chip in position["chips"]:
            for line in chip_lines(chip, copies=plan["copies"]):
                out.say(f"  {line}")
        out.say()
    for line in _errands(plan):
        out.say(line)
    out.say(f"Programming takes {time_words(plan['estimated_s'])}, handling not counted.")


def chip_lines(chip: Mapping[str, Any], *, copies: int = 1) -> Iterator[str]:
    """Yield what there is to know about one chip of a plan."""
    which = f"copy {chip['copy_number']}: " if copies > 1 else ""
    content = chip["content"]
    yield f"{which}{chip['part_name']}, {bytes_words(content['size_bytes'])}: {chip['reason']}"
    yield f"  SHA-256 {content['sha256'][:16]}…  CRC-32 {content['crc32']}  sum {content['byte_sum_16']}"
    for text in (*chip["arranged"], *chip["to_do"]):
        yield f"  {text}"
    if words := _PREPARATION.get(chip["preparation"]):
        yield f"  {words[:1].upper()}{words[1:]}."


def show_shopping(out: Out, needed: Mapping[str, Any]) -> None:
    """Print what some sets need: on hand, under the lamp, to buy."""
    sets = "set" if needed["copies"] == 1 else "sets"
    out.say(f"{needed['board_name']}, {needed['copies']} {sets}", "bold")
    for each in needed["ready"]:
        notes = [f"{each['by_job']} are erased by their job"] if each["by_job"] else []
        notes += [f"of {each['unsure']} it is not known whether they are blank"] if each["unsure"] else []
        more = f" ({'; '.join(notes)})" if notes else ""
        out.say(f"On hand: {each['count']} × {each['part_name']} for {', '.join(each['positions'])}{more}.")
    for each in needed["under_light"]:
        out.say(_light_words(each))
    for line in _purchases(needed):
        out.say(line)
    if needed["complete"]:
        out.say("Nothing has to be bought.")


def _light_words(chips: Mapping[str, Any]) -> str:
    label = f" ({chips['label']})" if chips["label"] else ""
    words = f"Under the lamp: {chips['count']} × {chips['part_id']}{label}"
    if chips["trays"]:
        trays = "one tray" if chips["trays"] == 1 else f"{chips['trays']} trays, one after the other"
        words += f", {trays}: ready after {time_words(chips['all_s'])} of light"
    if chips["late"]:
        words += f"; {chips['late']} are not ready in time: buy as many, or wait"
    return f"{words}. {chips['why_not']}".rstrip()


def _errands(plan: Mapping[str, Any]) -> Iterator[str]:
    for each in plan["to_erase"]:
        label = f" ({each['label']})" if each["label"] else ""
        yield (
            f"Erase {each['count']} × {each['part_id']}{label} with {each['dose_j_per_cm2']:g} J/cm²"
            f" for {', '.join(each['positions'])}; `romwright erase-time` says how long."
        )
    yield from _purchases(plan)


def _purchases(plan: Mapping[str, Any]) -> Iterator[str]:
    for each in plan["to_buy"]:
        parts = ", ".join(each["part_ids"][:3]) + (" or the like" if len(each["part_ids"]) > 3 else "")
        yield (
            f"Buy {each['count']} × {parts}, {each['access_ns']:g} ns or faster, for"
            f" {', '.join(each['positions'])}."
        )
