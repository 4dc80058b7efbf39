"""One part file: TOML in, a `Part` or a list of problems out.

A file describes one part and is named after its id (`st-m27c512.toml`). Besides the fields of `Part` it may
have `pinout` instead of `pins` (a name from pinouts.toml), `datasheet` as the id of a source, and a `sources`
table of its own for sheets that we do not know.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from daemon.catalogue.model import COMPUTED, MEMORY, Erase, Part, Sectors, Signature, Supplies, Write
from daemon.catalogue.problems import FileError, Schema, from_validation, nearest, read_toml
from daemon.catalogue.problems import Problem as Problem
from daemon.catalogue.records import Text


class Source(BaseModel):
    """A document that values were read in."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    maker: Text
    title: Text


@dataclass(frozen=True, slots=True)
class Pinout:
    """Pin names shared by parts, pin 1 first, and the source they were read in."""

    pins: tuple[str, ...]
    source: str


_SOURCES = Schema("a source", Source)
_PART = Schema(
    "a part",
    Part,
    tables={
        "supplies": Supplies,
        "write": Write,
        "sectors": Sectors,
        "signature": Signature,
        "erase": Erase,
    },
    extra=("sources",),
    patterns={
        "id": 'lower-case letters, digits, "-" and "."',
        "package": 'kind and pins, such as "DIP28"',
        "also_in": 'kind and pins, such as "PLCC32"',
    },
)


def read_part(
    path: Path, pinouts: Mapping[str, Pinout], sources: Mapping[str, Source]
) -> tuple[Part, dict[str, Source]]:
    """Return the part in `path` and the sources that its file adds; raises FileError."""
    table = read_toml(path)
    names = _names_in(table)
    problems: list[Problem] = []
    own = _own_sources(path, table.pop("sources", {}), problems)
    known = {**sources, **own}
    _resolve(path, table, pinouts, known, problems)
    part = None
    try:
        part = Part.model_validate(table)
    except ValidationError as error:
        found = from_validation(path, error, _PART)
        unresolved = any(problem.key == "pinout" for problem in problems)
        problems += [problem for problem in found if not (unresolved and problem.key == "pins")]
    if part:
        problems += _unknown_sources(path, part, known)
    if problems or part is None:
        raise FileError(tuple(problems), names)
    return part, own


def _names_in(table: Mapping[str, Any]) -> tuple[str, ...]:
    aliases = table.get("aliases")
    names = [table.get("name"), *(aliases if isinstance(aliases, list) else ())]
    return tuple(name for name in names if isinstance(name, str))


def _own_sources(path: Path, raw: object, problems: list[Problem]) -> dict[str, Source]:
    if not isinstance(raw, dict):
        problems.append(Problem(path, "sources", "must be a table of sources, each with maker and title"))
        return {}
    own = {}
    for name, value in raw.items():
        try:
            own[name] = Source.model_validate(value)
        except ValidationError as error:
            for problem in from_validation(path, error, _SOURCES):
                key = f"sources.{name}.{problem.key}".rstrip(".")
                problems.append(Problem(path, key, problem.reason, problem.nearest))
    return own


def _resolve(
    path: Path,
    table: dict[str, Any],
    pinouts: Mapping[str, Pinout],
    sources: Mapping[str, Source],
    problems: list[Problem],
) -> None:
    """Fill in what a file may leave to its name and to the shared tables."""
    if table.setdefault("id", path.stem) != path.stem:
        reason = f'says "{table["id"]}" but the file is called {path.name}; make the two agree'
        problems.append(Problem(path, "id", reason))
        table["id"] = path.stem
    title = table.get("datasheet")
    if isinstance(title, str) and title in sources:
        table["datasheet"] = sources[title].title
    _resolve_other_packages(path, table, pinouts, problems)
    name = table.get("pinout")
    if not isinstance(name, str):
        return
    if "pins" in table:
        problems.append(Problem(path, "pins", "is given twice: keep either pinout or pins"))
    elif name not in pinouts:
        problems.append(Problem(path, "pinout", f"there is no pinout {name}", nearest(name, pinouts)))
    else:
        table["pins"] = pinouts[name].pins
        src = table.setdefault("src", {})
        if isinstance(src, dict):
            src.setdefault("pins", pinouts[name].source)


def _resolve_other_packages(
    path: Path, table: dict[str, Any], pinouts: Mapping[str, Pinout], problems: list[Problem]
) -> None:
    """Replace the pinout names of `also_in` by the pins that they stand for."""
    others = table.get("also_in")
    if not isinstance(others, dict):
        return
    resolved = dict(others)
    for package, name in others.items():
        if not isinstance(name, str):
            continue
        if name in pinouts:
            resolved[package] = pinouts[name].pins
        else:
            del resolved[package]
            key = f"also_in.{package}"
            problems.append(Problem(path, key, f"there is no pinout {name}", nearest(name, pinouts)))
    table["also_in"] = resolved


def _unknown_sources(path: Path, part: Part, known: Mapping[str, Source]) -> Iterator[Problem]:
    words = {MEMORY, COMPUTED}
    for key, source in part.src.items():
        if source not in known and source not in words:
            reason = f'there is no source "{source}"; name one, or say "{MEMORY}"'
            yield Problem(path, f"src.{key}", reason, nearest(source, {*known, *words}))
