"""What is wrong with a recipe as it is written: where, why, and the nearest thing that would be accepted."""

import difflib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from daemon.errors import BenchError, Code
from daemon.images.steps import AnyStep
from daemon.images.value_steps import CrcTable

Path = tuple[str | int, ...]

STEP_TABLES: Mapping[str, type[BaseModel]] = {
    table.model_fields["do"].default: table for table in get_args(get_args(AnyStep)[0])
}
"""The table of each step by its `do`."""

_TOLD_MAX = 20


@dataclass(frozen=True, slots=True)
class RecipeProblem:
    """One thing wrong: its path of keys and indexes, its line where there is a text, the reason."""

    path: Path
    line: int | None
    reason: str

    @property
    def text(self) -> str:
        """The problem as a sentence for people."""
        where = f"line {self.line}, {dotted(self.path)}" if self.line else dotted(self.path)
        return f"{where}: {self.reason}" if where else self.reason


def dotted(path: Path) -> str:
    """Write a path as people know it from programs: `positions[1].steps[0].lane`."""
    text = ""
    for key in path:
        text += f"[{key}]" if isinstance(key, int) else f".{key}" if text else key
    return text


def problems_of(
    error: ValidationError,
    tables: Mapping[str, type[BaseModel]],
    line_of: Callable[[Path], int | None] = lambda path: None,
    prefix: Path = (),
) -> list[RecipeProblem]:
    """Say in plain words what validation found.

    `tables` maps the name of a list or table in the recipe to what it consists of, "" being the recipe.
    """
    found: dict[str, RecipeProblem] = {}
    for entry in error.errors(include_url=False):
        if "str" in entry["loc"] and isinstance(entry.get("input"), dict):
            continue  # the table was looked at as a table: that it is no text says nothing
        if entry["type"] == "too_short" and len(entry["input"]) >= entry["ctx"]["min_length"]:
            continue  # none of the entries was good, which is told already
        path, tag = _path_of(entry["loc"])
        path = (*prefix, *path)
        at = entry.get("ctx", {}).get("at")
        if at is not None:
            path = (*path, at)
        reason = _reason(entry, path, _table_of(path, tag, tables))
        problem = RecipeProblem(path, line_of(path), reason)
        found.setdefault(dotted(path), problem)  # of what a union tried, the first
    return list(found.values())


def invalid(
    problems: list[RecipeProblem], what: str, code: Code = Code.RECIPE_INVALID, hint: str = ""
) -> BenchError:
    """Make the error for a recipe that cannot be used; `what` names it."""
    first, more = problems[0], len(problems) - 1
    return BenchError(
        code,
        f"{what}: {first.text}" + (f" (and {more} more)" if more else ""),
        hint=hint or ("Correct it there and try again." if more == 0 else "Correct these and try again."),
        field=dotted(first.path) or None,
        details={
            "problems": [problem.text for problem in problems[:_TOLD_MAX]],
            **({} if first.line is None else {"line": first.line}),
        },
    )


_UNION_NAMES = frozenset({"[key]", "str", "CrcTable"})
"""What validation adds to a place: that it is about a key, and which kinds of value it has tried."""


def _path_of(loc: tuple[int | str, ...]) -> tuple[Path, str | None]:
    """Return a place without what unions put into it, and the step that it is in."""
    path: list[str | int] = []
    tag = None
    for key in loc:
        named = bool(path) and path[-1] == "sources"  # a user's own name, which may be any
        if path and isinstance(path[-1], int) and key in STEP_TABLES:
            tag = str(key)
        elif named or isinstance(key, int) or not (key in _UNION_NAMES or "[" in key):
            path.append(key)
    return tuple(path), tag


def _table_of(path: Path, tag: str | None, tables: Mapping[str, type[BaseModel]]) -> type[BaseModel] | None:
    names = [key for key in path[:-1] if isinstance(key, str)]
    if "crc" in names:
        return CrcTable
    if tag is not None:
        return STEP_TABLES[tag]
    for name in reversed(names):
        if name in tables:
            return tables[name]
    return tables.get("")


def _reason(entry: Any, path: Path, table: type[BaseModel] | None) -> str:
    kind, given, context = entry["type"], entry.get("input"), entry.get("ctx", {})
    match kind:
        case "missing":
            return "is missing"
        case "union_tag_not_found":
            return f"has no `do` that says which step it is; one of {', '.join(STEP_TABLES)}"
        case "union_tag_invalid":
            return _unknown_step(str(context.get("tag", "")))
        case "extra_forbidden":
            choices = _keys_of(table) if table else []
            return f"is no key here{nearest(str(path[-1]), choices)}"
        case "enum" | "literal_error":
            expected = str(context["expected"]).replace("'", "")
            return f"{shown(given)} is not accepted; one of {expected.replace(' or ', ', ')} is"
        case "step" | "byte_text" | "number":
            return str(entry["msg"])
    if kind in _MUST_BE:
        return f"{shown(given)} is not accepted; {_MUST_BE[kind].format(**context)} is"
    message = str(entry["msg"])
    return f"{message[:1].lower()}{message[1:]}, and this is {shown(given)}"


_MUST_BE = {
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "float_parsing": "a number",
    "string_type": "text",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "tuple_type": "a list",
    "list_type": "a list",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "greater_than": "a number above {gt}",
    "greater_than_equal": "{ge} or more",
    "less_than": "a number below {lt}",
    "less_than_equal": "{le} or less",
    "too_short": "one with {min_length} or more",
    "too_long": "one with at most {max_length}",
    "string_too_short": "some text",
    "string_too_long": "text of at most {max_length} characters",
    "string_pattern_mismatch": "text of the form {pattern}",
}


def _unknown_step(name: str) -> str:
    near = nearest(name, STEP_TABLES)
    return f'there is no step "{name[:40]}"{near or "; one of " + ", ".join(STEP_TABLES)}'


def _keys_of(table: type[BaseModel]) -> list[str]:
    return [field.alias or name for name, field in table.model_fields.items()]


def nearest(word: str, choices: Iterable[str]) -> str:
    """Say what may have been meant, or what there is if that is little; to go behind a message."""
    options = list(choices)
    close = difflib.get_close_matches(word[:60], options, n=1, cutoff=0.5)
    if close:
        return f"; did you mean {close[0]}?"
    return f"; there is {', '.join(options)}" if options and len(options) < 12 else ""


def shown(given: object) -> str:
    """Quote a value for a message, shortened."""
    if isinstance(given, str):
        return f'"{given[:40]}"' if len(given) <= 40 else f'"{given[:40]}..."'
    if isinstance(given, bool):
        return "true" if given else "false"
    if isinstance(given, int | float):
        return str(given)[:40]
    if isinstance(given, list | tuple):
        return f"a list of {len(given)}"
    return "a table" if isinstance(given, dict) else f"a {type(given).__name__}"
