"""One part file: TOML in, a `Part` or a list of problems out.

A file describes one part and is named after its id (`st-m27c512.toml`). Besides the fields of `Part` it may
have `pinout` instead of `pins` (a name from pinouts.toml), `datasheet` as the id of a source, and a `sources`
table of its own for sheets that we do not know.
"""

import difflib
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from daemon.catalogue.checks import Fault
from daemon.catalogue.model import (
    COMPUTED,
    DEFAULT_SOURCE,
    MEMORY,
    Erase,
    Part,
    Sectors,
    Signature,
    Supplies,
    Text,
    Write,
)

_FILE_BYTES_MAX = 64 * 1024
_TABLES: Mapping[str, type[BaseModel]] = {
    "supplies": Supplies,
    "write": Write,
    "sectors": Sectors,
    "signature": Signature,
    "erase": Erase,
}


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


@dataclass(frozen=True, slots=True)
class Problem:
    """Why a part file cannot be used: file, dotted key, reason, and the nearest valid word if any."""

    file: Path
    key: str
    reason: str
    nearest: str | None = None

    @property
    def text(self) -> str:
        """The problem as one sentence for people."""
        place = f"{self.file.name}: {self.key}: " if self.key else f"{self.file.name}: "
        advice = f"; did you mean {self.nearest}?" if self.nearest else ""
        return f"{place}{self.reason}{advice}"


class PartFileError(Exception):
    """A part file that cannot be used. `names` are what the part calls itself, as far as that can be told."""

    def __init__(self, problems: tuple[Problem, ...], names: tuple[str, ...] = ()) -> None:
        super().__init__("; ".join(problem.text for problem in problems))
        self.problems = problems
        self.names = names


def read_toml(path: Path) -> dict[str, Any]:
    """Return the tables of a TOML file; raises PartFileError saying why it cannot be read."""
    try:
        raw = path.read_bytes()
        if len(raw) > _FILE_BYTES_MAX:
            reason = f"has {len(raw)} bytes; a part file has at most {_FILE_BYTES_MAX}"
            raise PartFileError((Problem(path, "", reason),))
        return tomllib.loads(raw.decode("utf-8-sig"))
    except OSError as error:
        reason = f"cannot be read: {error.strerror or error}"
    except UnicodeDecodeError as error:
        reason = f"is not UTF-8 text: byte {error.start} does not fit"
    except tomllib.TOMLDecodeError as error:
        reason = f"is not valid TOML: {error}"
    except (ValueError, RecursionError):
        # tomllib lets these through for numbers of thousands of digits and for very deep nesting
        reason = "is not usable TOML: a number is too long or the nesting too deep"
    raise PartFileError((Problem(path, "", reason),))


def read_part(
    path: Path, pinouts: Mapping[str, Pinout], sources: Mapping[str, Source]
) -> tuple[Part, dict[str, Source]]:
    """Return the part in `path` and the sources that its file adds; raises PartFileError."""
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
        found = _from_validation(path, error)
        unresolved = any(problem.key == "pinout" for problem in problems)
        problems += [problem for problem in found if not (unresolved and problem.key == "pins")]
    if part:
        problems += _unknown_sources(path, part, known)
    if problems or part is None:
        raise PartFileError(tuple(problems), names)
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
            for problem in _from_validation(path, error):
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
    name = table.get("pinout")
    if not isinstance(name, str):
        return
    if "pins" in table:
        problems.append(Problem(path, "pins", "is given twice: keep either pinout or pins"))
    elif name not in pinouts:
        problems.append(Problem(path, "pinout", f"there is no pinout {name}", _nearest(name, pinouts)))
    else:
        table["pins"] = pinouts[name].pins
        src = table.setdefault("src", {})
        if isinstance(src, dict):
            src.setdefault("pins", pinouts[name].source)


def _unknown_sources(path: Path, part: Part, known: Mapping[str, Source]) -> Iterator[Problem]:
    words = {MEMORY, COMPUTED}
    for key, source in part.src.items():
        if source not in known and source not in words:
            reason = f'there is no source "{source}"; name one, or say "{MEMORY}"'
            yield Problem(path, f"src.{key}", reason, _nearest(source, {*known, *words}))


# What pydantic found, in our words


def _from_validation(path: Path, error: ValidationError) -> list[Problem]:
    found: dict[str, Problem] = {}
    for entry in error.errors(include_url=False, include_input=True):
        for fault in entry.get("ctx", {}).get("faults", ()) or (_fault(entry),):
            only = fault.choices[0] if len(fault.choices) == 1 else None
            nearest = only or _nearest(fault.given, fault.choices)
            problem = Problem(path, fault.key, fault.reason, nearest)
            found.setdefault(f"{fault.key} {fault.reason}", problem)
    return list(found.values())


_PATTERNS = {"id": 'lower-case letters, digits, "-" and "."', "package": 'kind and pins, such as "DIP28"'}


def _fault(entry: Mapping[str, Any]) -> Fault:
    """Say in plain words what one error of pydantic means."""
    loc, kind, given = entry["loc"], entry["type"], entry["input"]
    if loc[:2] == ("write", "commands") and len(loc) > 3:
        reason = 'steps are [address, data]: numbers that fit, or "address", "sector" and "data"'
        return Fault(".".join(map(str, loc[:3])), reason)
    key = ".".join(str(step) for step in loc if step != "[key]")
    if kind == "missing":
        return Fault(key, "is missing")
    if kind == "extra_forbidden":
        table = _TABLES.get(str(loc[0]), Part) if len(loc) > 1 else Part
        choices = [*table.model_fields, *(("sources",) if table is Part else ())]
        return Fault(key, "is not a field that a part has here", str(loc[-1]), tuple(choices))
    if kind == "string_pattern_mismatch":
        return Fault(key, f"{_shown(given)} is not of the form {_PATTERNS[key]}")
    if kind in ("enum", "literal_error"):
        expected = str(entry["ctx"]["expected"])
        choices = re.findall(r"'([^']+)'", expected)
        return Fault(
            key, f"{_shown(given)} is not one of {expected.replace(chr(39), '')}", str(given), (*choices,)
        )
    message = str(entry["msg"])
    return Fault(key, f"{message[:1].lower()}{message[1:]}, and this is {_shown(given)}")


def _shown(given: object) -> str:
    if isinstance(given, str):
        return f'"{given[:40]}"' if len(given) <= 40 else f'"{given[:40]}..."'
    return str(given)[:40] if isinstance(given, int | float) else f"a {type(given).__name__}"


def _nearest(word: str, choices: Iterable[str]) -> str | None:
    words = [choice for choice in choices if choice != DEFAULT_SOURCE]
    close = difflib.get_close_matches(word[:100], words, n=1, cutoff=0.6)
    return close[0] if close else None
