"""What is wrong with a description that people write by hand: file, key, reason, nearest valid choice."""

import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from daemon.catalogue.faults import Fault

_FILE_BYTES_MAX = 64 * 1024


@dataclass(frozen=True, slots=True)
class Problem:
    """Why a file cannot be used: file, dotted key, reason, and the nearest valid word if any."""

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


class FileError(Exception):
    """A file that cannot be used. `names` are what its content calls itself, as far as that can be told."""

    def __init__(self, problems: tuple[Problem, ...], names: tuple[str, ...] = ()) -> None:
        super().__init__("; ".join(problem.text for problem in problems))
        self.problems = problems
        self.names = names


def read_text(path: Path) -> str:
    """Return the text of a file of reasonable size; raises FileError saying why it cannot be read."""
    try:
        raw = path.read_bytes()
        if len(raw) > _FILE_BYTES_MAX:
            reason = f"has {len(raw)} bytes; a file of this kind has at most {_FILE_BYTES_MAX}"
            raise FileError((Problem(path, "", reason),))
        return raw.decode("utf-8-sig")
    except OSError as error:
        reason = f"cannot be read: {error.strerror or error}"
    except UnicodeDecodeError as error:
        reason = f"is not UTF-8 text: byte {error.start} does not fit"
    raise FileError((Problem(path, "", reason),))


def read_toml(path: Path) -> dict[str, Any]:
    """Return the tables of a TOML file; raises FileError saying why it cannot be read."""
    text = read_text(path)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        reason = f"is not valid TOML: {error}"
    except (ValueError, RecursionError):
        # tomllib lets these through for numbers of thousands of digits and for very deep nesting
        reason = "is not usable TOML: a number is too long or the nesting too deep"
    raise FileError((Problem(path, "", reason),))


@dataclass(frozen=True, slots=True)
class Schema:
    """What a kind of file may hold, so that a misspelt key can be answered with the one that was meant."""

    noun: str
    """What the file describes, with its article: "a part"."""
    model: type[BaseModel]
    tables: Mapping[str, type[BaseModel]] = field(default_factory=dict)
    """The model of each table below the top level."""
    extra: tuple[str, ...] = ()
    """Keys that the file may have and the model has not."""
    patterns: Mapping[str, str] = field(default_factory=dict)
    """Key -> the form that its text must have, in words."""


def from_validation(path: Path, error: ValidationError, schema: Schema) -> list[Problem]:
    """Return what pydantic found, in our words, each problem once."""
    found: dict[str, Problem] = {}
    for entry in error.errors(include_url=False, include_input=True):
        for fault in entry.get("ctx", {}).get("faults", ()) or (_fault(entry, schema),):
            only = fault.choices[0] if len(fault.choices) == 1 else None
            problem = Problem(path, fault.key, fault.reason, only or nearest(fault.given, fault.choices))
            found.setdefault(f"{fault.key} {fault.reason}", problem)
    return list(found.values())


def _fault(entry: Mapping[str, Any], schema: Schema) -> Fault:
    """Say in plain words what one error of pydantic means."""
    loc, kind, given = entry["loc"], entry["type"], entry["input"]
    if loc[:2] == ("write", "commands") and len(loc) > 3:
        reason = 'steps are [address, data]: numbers that fit, or "address", "sector" and "data"'
        return Fault(".".join(map(str, loc[:3])), reason)
    key = ".".join(str(step) for step in loc if step != "[key]")
    if kind == "missing":
        return Fault(key, "is missing")
    if kind == "extra_forbidden":
        table = schema.tables.get(str(loc[0]), schema.model) if len(loc) > 1 else schema.model
        choices = (*table.model_fields, *(schema.extra if table is schema.model else ()))
        return Fault(key, f"is not a field that {schema.noun} has here", str(loc[-1]), choices)
    if kind == "string_pattern_mismatch":
        form = schema.patterns.get(key) or schema.patterns.get(str(loc[0]), "another form")
        return Fault(key, f"{_shown(given)} is not of the form {form}")
    if kind in ("enum", "literal_error"):
        expected = str(entry["ctx"]["expected"])
        choices = tuple(re.findall(r"'([^']+)'", expected))
        reason = f"{_shown(given)} is not one of {expected.replace(chr(39), '')}"
        return Fault(key, reason, str(given), choices)
    message = str(entry["msg"])
    return Fault(key, f"{message[:1].lower()}{message[1:]}, and this is {_shown(given)}")


def _shown(given: object) -> str:
    if isinstance(given, str):
        return f'"{given[:40]}"' if len(given) <= 40 else f'"{given[:40]}..."'
    return str(given)[:40] if isinstance(given, int | float) else f"a {type(given).__name__}"


def nearest(word: str, choices: Iterable[str]) -> str | None:
    """Return the choice that looks most like `word`, None when none looks like it."""
    words = [choice for choice in choices if choice != "default"]
    close = difflib.get_close_matches(word[:100], words, n=1, cutoff=0.6)
    return close[0] if close else None
