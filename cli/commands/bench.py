"""Commands about what the bench has: programmers and parts."""

from typing import Annotated, Any

import typer

from cli.handling import handled
from cli.options import ConfigOption, JsonOption, PortOption


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("programmers")(handled(programmers))
    app.command("parts")(handled(parts))
    app.command("part")(handled(part))


def programmers(port: PortOption = None, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """List the programmers, and ports that do not answer.

    Example: romwright programmers
    """
    from cli.exit_codes import Exit
    from cli.handling import leave
    from cli.out import Out
    from cli.reach import Reach, connect, settled_programmers

    out = Out(json=as_json)
    with connect(Reach(config, port), out) as client:
        found = settled_programmers(client)
    out.document({"programmers": found})
    if not found:
        out.note(
            "No programmer is connected. `romwright simulate` makes one; `romwright doctor` shows the ports."
        )
        leave(Exit.UNREACHABLE)
    out.table(
        ("Name", "State", "Port", "Hardware", "Supplies"),
        [
            (
                each.get("name") or each["id"],
                each["state"],
                each["path"],
                each["hardware"],
                "\n".join(each["supplies"]),
            )
            for each in found
        ],
    )
    for each in found:
        if problem := each.get("problem"):
            out.say(f"{each['path']}: {problem['detail']}", "yellow")
            out.say(f"  {problem.get('hint', '')}")
    leave(Exit.DONE if any(each["state"] in ("ready", "busy") for each in found) else Exit.UNREACHABLE)


def parts(
    query: Annotated[
        list[str] | None, typer.Argument(metavar="[WORDS]", help="Name, family or maker; left out: all.")
    ] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """List the parts of the catalogue, or find some.

    Example: romwright parts 27C512
    """
    from cli.exit_codes import Exit
    from cli.handling import leave
    from cli.out import Out, bytes_words
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    words = " ".join(query or ()) or None
    with connect(Reach(config), out) as client:
        found = client.get("/v1/parts", q=words)
    out.document(found)
    for problem in found["problems"]:
        out.note(problem, "yellow")
    if not found["parts"]:
        out.note(f"No part matches {words}.", "yellow")
        leave(Exit.NEGATIVE)
    out.table(
        ("Part", "Maker", "Size", "Bits", "Package", "Kind", "Values from"),
        [
            (
                each["name"],
                each["maker"],
                bytes_words(each["size_bytes"]),
                each["width_bits"],
                each["package"],
                each["kind"],
                "data sheet" if each["confidence"] == "seen" else "memory",
            )
            for each in found["parts"]
        ],
    )


def part(
    name: Annotated[str, typer.Argument(metavar="PART", help="The part, as marked on the chip.")],
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show a part: pins, supplies, loop, modes, and sources.

    Example: romwright part M27C512
    """
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        shown = client.get(f"/v1/parts/{_path_part(name)}")
    out.document(shown)
    if not as_json:
        _show_part(out, shown)


def _path_part(name: str) -> str:
    from urllib.parse import quote

    return quote(name, safe="")


def _show_part(out: Any, part: dict[str, Any]) -> None:
    from cli.out import bytes_words

    also = f" (also {', '.join(part['aliases'])})" if part["aliases"] else ""
    out.say(f"{part['name']}, {part['maker']}{also}", "bold")
    out.say(
        f"  {bytes_words(part['size_bytes'])}, {part['words']:,} words of {part['width_bits']} bits,"
        f" {part['package']}, {part['kind']}"
    )
    out.say(f"  Data sheet: {part['datasheet']}")
    for line in _figures(part):
        out.say(f"  {line}")
    for note in part["notes"]:
        out.say(f"  Note: {note}", "yellow")
    pins = part["pins"]
    half = len(pins) // 2
    out.table(
        ("", "Pins", "", ""),
        [
            (left["number"], left["name"], right["name"], right["number"])
            for left, right in zip(pins[:half], reversed(pins[half:]), strict=True)
        ],
    )
    names = {str(pin["number"]): pin["name"] for pin in pins}
    out.table(("Mode", "Control pins"), [(each["mode"], _levels(each, names)) for each in part["modes"]])
    out.table(
        ("Value", "", "Source"),
        [
            (each["key"], _value_words(each["value"]), each["source"])
            for each in part["values"]
            if each["key"] != "pins"
        ],
    )


def _levels(mode: dict[str, Any], names: dict[str, str]) -> str:
    """Return what the control pins get; what is the same in every mode is left out."""
    return ", ".join(
        f"{names[pin]} {level}"
        for pin, level in mode["levels"].items()
        if level not in ("address", "data", "float", "vcc") and names[pin] not in ("GND", "VSS")
    )


def _value_words(value: Any) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{name} {_value_words(inner)}" for name, inner in value.items())
    if isinstance(value, list):
        return ", ".join(_value_words(inner) for inner in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _figures(part: dict[str, Any]) -> list[str]:
    lines = [f"VCC {part['vcc_read_v']:.2f} V to read"]
    if part.get("vcc_program_v"):
        lines[0] += f", {part['vcc_program_v']:.2f} V to program"
    if part.get("vpp_program_v"):
        lines.append(f"VPP {part['vpp_program_v']:.2f} V")
    checks = " and ".join(f"{volts:.2f} V" for volts in part["supply_checks_v"])
    lines.append(f"Verified at {checks}")
    if part.get("loop"):
        pulse = (
            f": pulses of {part['pulse_us']:g} µs, at most {part['max_pulses']}"
            if part.get("pulse_us")
            else ""
        )
        lines.append(f"Programmed by {part['loop'].replace('-', ' ')}{pulse}")
    if part.get("dose_j_per_cm2"):
        lines.append(f"Erased by UV light: {part['dose_j_per_cm2']:g} J/cm²")
    elif part["erase_method"] == "electrical":
        lines.append("Erased electrically")
    return lines
