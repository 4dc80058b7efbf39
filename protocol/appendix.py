"""The generated parts of `SPEC.md`: the appendix from the message table, worked exchanges from scenarios.

`python -m protocol.appendix` prints them, with `--write` they go into `SPEC.md`. A test compares.
"""

import json
import sys
from enum import Enum, IntEnum
from pathlib import Path
from typing import Any

from protocol.fields import layout_of
from protocol.messages import OPERATIONS, EventMessage, Nak, Needs, Operation
from protocol.wire import Fault, Status

HERE = Path(__file__).parent

#: The exchanges that the text shows in full; all others are in the file.
SHOWN = ("hello", "setup", "program", "gap", "lost-result", "read-with-a-lost-block", "abort", "watchdog")
HEX_LINE_BYTES = 32
#: A longer frame is cut in print: only the answer to HELLO is.
HEX_SHOWN_BYTES = 96


def appendix() -> str:
    """Return every operation with its fields, needs and statuses, and the values of fields, as markdown."""
    parts = [_operation(operation) for operation in OPERATIONS.values()]
    return "\n".join([*parts, "### Values of fields", "", *_values(), ""])


def exchanges() -> str:
    """Return the scenarios in `SHOWN` as markdown; what one has in common with an earlier one is left out."""
    book = json.loads((HERE / "scenarios.json").read_text(encoding="utf-8"))
    named = {scenario["name"]: scenario for scenario in book["scenarios"]}
    shown: list[dict[str, Any]] = []
    parts: list[str] = []
    for name in SHOWN:
        parts.append(_exchange(named[name], shown))
        shown.append(named[name])
    return "\n".join(parts)


def filled(spec: str) -> str:
    """Return the text of `SPEC.md` with its generated parts made anew.

    Raises ValueError when a marker is missing.
    """
    for name, text in (("exchanges", exchanges()), ("appendix", appendix())):
        begin, end = f"<!-- {name}: generated -->\n", f"<!-- {name}: end -->\n"
        before, found, rest = spec.partition(begin)
        _, closed, after = rest.partition(end)
        if not (found and closed):
            raise ValueError(f"SPEC.md lacks the markers of {name}")
        spec = f"{before}{begin}{text}{end}{after}"
    return spec


def _operation(operation: Operation) -> str:
    kind = "CONTROL" if operation.control else "REQUEST"
    needs = ", ".join(str(need.name) for need in Needs if need in operation.needs) or "nothing"
    also = ", ".join(status.name for status in Status if status in operation.detail_on)
    lines = [
        f"### 0x{operation.opcode:02X} {operation.opcode.name}",
        "",
        f"- {kind}: {_fields(operation.request)}",
        f"- Answer: {_fields(operation.result)}",
        f"- Needs: {needs}",
    ]
    if also:
        lines.append(f"- Detail also with: {also}")
    return "\n".join([*lines, ""])


def _fields(cls: type[Any]) -> str:
    layout = layout_of(cls)
    sizes = zip(layout.names, layout.sizes, strict=True)
    fields = [f"`{name.rstrip('_')}` ({size})" for name, size in sizes]
    if layout.rest:
        fields.append(f"`{layout.rest}` (all that remain)")
    meaning = " ".join((cls.__doc__ or "").split())
    return f"{', '.join(fields)}. {meaning}" if fields else "nothing."


def _values() -> list[str]:
    """Return a line for each enumeration that a field of the table has."""
    seen: dict[str, type[Enum]] = {}
    for operation in OPERATIONS.values():
        for cls in (operation.request, operation.result):
            _note_enums(cls, seen)
    for cls in (Nak, EventMessage):
        _note_enums(cls, seen)
    return [
        f"- `{name}`: {', '.join(f'{member.value} {member.name}' for member in enum)}"
        for name, enum in seen.items()
    ]


def _note_enums(cls: type[Any], seen: dict[str, type[Enum]]) -> None:
    layout = layout_of(cls)
    for name, enum in zip(layout.names, layout.enums, strict=True):
        # Faults are bits and have a table of their own.
        if enum is not None and enum is not Fault and issubclass(enum, IntEnum):
            seen.setdefault(name.rstrip("_"), enum)


def _exchange(scenario: dict[str, Any], shown: list[dict[str, Any]]) -> str:
    steps = [step for step in scenario["steps"] if step["from"] != "user"]
    common, model = 0, ""
    for other in shown:
        same = _common(steps, [step for step in other["steps"] if step["from"] != "user"])
        if same > common:
            common, model = same, other["name"]
    lines = [f"**{scenario['name']}** ({', '.join(scenario['shows'])}). {scenario['words']}", ""]
    if common:
        lines += [f"The first {common} steps are those of *{model}*.", ""]
    lines.append("```")
    for step in steps[common:]:
        lines.append(f"{step['at_ms']:5} ms  {step['from']:6}  {step['words']}")
        lines += [f"          {line}" for line in _hex_lines(bytes.fromhex(step["hex"]))]
    return "\n".join([*lines, "```", ""])


def _common(steps: list[dict[str, Any]], others: list[dict[str, Any]]) -> int:
    count = 0
    for one, other in zip(steps, others, strict=False):
        if one != other:
            break
        count += 1
    return count


def _hex_lines(data: bytes) -> list[str]:
    cut = data[:HEX_SHOWN_BYTES]
    lines = [cut[at : at + HEX_LINE_BYTES].hex(" ") for at in range(0, len(cut), HEX_LINE_BYTES)]
    if len(cut) < len(data):
        lines.append(f"... and {len(data) - len(cut)} bytes more")
    return lines


def main() -> None:
    """Print the generated parts, or write them into `SPEC.md`."""
    path = HERE / "SPEC.md"
    if "--write" in sys.argv[1:]:
        path.write_text(filled(path.read_text(encoding="utf-8")), encoding="utf-8", newline="\n")
    else:
        print(exchanges(), appendix(), sep="\n", end="")


if __name__ == "__main__":
    main()
