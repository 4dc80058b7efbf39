"""The wiring tables of `docs/build-a-programmer.md`, made from the catalogue.

`python -m cli.builder.wiring --write` puts them into the page.
"""

import sys
from collections.abc import Iterator
from pathlib import Path

from daemon.catalogue.loader import packaged_pinouts

PAGE = Path(__file__).parents[2] / "docs" / "build-a-programmer.md"
BEGIN, END = "<!-- wiring: generated -->\n", "<!-- wiring: end -->"

#: Package -> families in it, by the names of the catalogue's pin-outs and as people call them.
FAMILIES: dict[str, dict[str, str]] = {
    "DIP24": {"dip24_2716": "2716", "dip24_2732": "2732", "dip24_2532": "2532", "dip24_28c16": "28C16"},
    "DIP28": {
        "dip28_2764": "2764", "dip28_27128": "27128", "dip28_27256": "27256", "dip28_27512": "27512",
        "dip28_28c64": "28C64", "dip28_28c256": "28C256",
    },
    "DIP32": {
        "dip32_27c010": "27C010", "dip32_27c020": "27C020", "dip32_27c040": "27C040",
        "dip32_27c080": "27C080", "dip32_29f040": "29F040",
    },
    "DIP40": {
        "dip40_27c1024": "27C1024", "dip40_27c2048": "27C2048", "dip40_27c4002": "27C4002",
        "dip40_27c400": "27C400",
    },
    "DIP42": {"dip42_27c800": "27C800", "dip42_27c160": "27C160", "dip42_27c322": "27C322"},
}  # fmt: skip
_SUPPLIES = ("VCC", "VPP", "GND", "VSS")


def signals(pinout: str) -> tuple[str, ...]:
    """Return the signals of a pin-out, pin 1 first. Raises KeyError for a name that the catalogue lacks."""
    return packaged_pinouts()[pinout].pins


def tables() -> str:
    """Return all tables as Markdown."""
    parts = [_package(package) for package in FAMILIES]
    return "\n".join([*parts, _roles(32, ("DIP24", "DIP28", "DIP32"))])


def _package(package: str) -> str:
    families = FAMILIES[package]
    rows = zip(*(signals(name) for name in families), strict=True)
    lines = [
        f"### {package}",
        "",
        f"| pin | {' | '.join(families.values())} |",
        f"|{' --- |' * (len(families) + 1)}",
    ]
    lines += [f"| {pin} | {' | '.join(_words(name) for name in row)} |" for pin, row in enumerate(rows, 1)]
    return "\n".join([*lines, ""])


def _words(signal: str) -> str:
    return signal.replace("|", " or ").replace("//", " or /").replace("VSS", "GND")


def roles(socket_pins: int, packages: tuple[str, ...]) -> dict[int, set[str]]:
    """Return what each socket pin must be able to do: `logic`, VCC, VPP, GND.

    Packages sit at the bottom end of the socket.
    """
    found: dict[int, set[str]] = {pin: set() for pin in range(1, socket_pins + 1)}
    for package in packages:
        for name in FAMILIES[package]:
            own = signals(name)
            shift = (socket_pins - len(own)) // 2
            for pin, signal in enumerate(own, 1):
                found[pin + shift] |= set(_roles_of(signal))
    return found


def _roles_of(signal: str) -> Iterator[str]:
    for one in signal.split("|"):
        if one in _SUPPLIES:
            yield "GND" if one == "VSS" else one
        elif one != "NC":
            yield "logic"


def _roles(socket_pins: int, packages: tuple[str, ...]) -> str:
    lines = [
        f"### What each pin of a {socket_pins}-pin socket must do",
        "",
        f"For all families of {', '.join(packages[:-1])} and {packages[-1]} above, seated at the bottom end.",
        "",
        "| socket pin | role |",
        "| --- | --- |",
    ]
    order = ("logic", "VCC", "VPP", "GND")
    for pin, own in roles(socket_pins, packages).items():
        lines.append(f"| {pin} | {', '.join(role for role in order if role in own)} |")
    return "\n".join([*lines, ""])


def filled(page: str) -> str:
    """Return the page with its tables made anew. Raises ValueError when its markers are not there."""
    if page.count(BEGIN) != 1 or page.count(END) != 1:
        raise ValueError("the page lacks the markers of its wiring tables")
    head, rest = page.split(BEGIN)
    return head + BEGIN + tables() + END + rest.split(END)[1]


if __name__ == "__main__":
    made = filled(PAGE.read_text(encoding="utf-8"))
    if "--write" in sys.argv:
        PAGE.write_text(made, encoding="utf-8")
    else:
        print(made)
