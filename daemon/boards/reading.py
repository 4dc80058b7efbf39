"""From the text of a recipe to a board, or to all that is wrong with it, each with its line."""

import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from pydantic import BaseModel, ValidationError

from daemon.boards.model import Accepted, Board, Position, Region, Source
from daemon.boards.toml_lines import Path, toml_lines
from daemon.errors import BenchError, Code
from daemon.images.moving_steps import Join
from daemon.images.recipe_errors import RecipeProblem, invalid, nearest, problems_of
from daemon.images.steps import AnyStep

MAX_TEXT_BYTES = 60 * 1024

_TABLES: Mapping[str, type[BaseModel]] = {
    "": Board,
    "sources": Source,
    "positions": Position,
    "parts": Accepted,
    "unused": Region,
}


@dataclass(frozen=True, slots=True)
class BoardRecipe:
    """A board with its id, its text, and where in the text things stand."""

    id: str
    board: Board
    text: str = field(repr=False)
    line_of: Callable[[Path], int | None] = field(repr=False, compare=False)


def read_board(board_id: str, text: str) -> BoardRecipe:
    """Read a recipe. Raises BenchError `recipe-invalid` with every problem found."""
    what = f"board {board_id}"
    if len(text.encode("utf-8", "replace")) > MAX_TEXT_BYTES:
        raise _unreadable(what, f"has more than {MAX_TEXT_BYTES:,} bytes")
    try:
        raw = tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as error:
        raise _unreadable(what, f"is not valid TOML: {error}") from None
    except (ValueError, RecursionError):
        # tomllib lets these through for numbers of thousands of digits and for very deep nesting
        raise _unreadable(what, "is not usable TOML: a number is too long or the nesting too deep") from None
    line_of = toml_lines(text)
    try:
        board = Board.model_validate(raw)
    except ValidationError as error:
        raise invalid(problems_of(error, _TABLES, line_of), what) from None
    problems = [
        RecipeProblem(path, line_of(path), reason) for path, reason in _names_that_lead_nowhere(board)
    ]
    if problems:
        raise invalid(problems, what)
    return BoardRecipe(board_id, board, text, line_of)


def _unreadable(what: str, reason: str) -> BenchError:
    return BenchError(
        Code.RECIPE_INVALID,
        f"{what}: the text {reason}",
        hint="Correct it there; docs/boards.md has an example to start from.",
        details={"problems": [f"the text {reason}"]},
    )


def _names_that_lead_nowhere(board: Board) -> Iterator[tuple[Path, str]]:
    """Yield what the tables cannot know by themselves: names of sources and positions."""
    known = board.sources
    for name, source in known.items():
        if source.from_ is not None and source.from_ not in known:
            yield ("sources", name, "from"), _unknown("source", source.from_, known)
        yield from _joins(("sources", name, "steps"), source.steps, known)
        if (circle := _circle(board, name)) is not None:
            yield ("sources", name), f"is made from itself: {' from '.join(circle)}"
    labels: dict[str, int] = {}
    for index, position in enumerate(board.positions):
        here: Path = ("positions", index)
        if position.label in labels:
            yield (
                (*here, "label"),
                f'is "{position.label}", as positions[{labels[position.label]}] is already',
            )
        labels.setdefault(position.label, index)
        if position.source not in known:
            yield (*here, "source"), _unknown("source", position.source, known)
        yield from _joins((*here, "steps"), position.steps, known)
    for index, position in enumerate(board.positions):
        for at, label in enumerate(position.shares_with):
            if label not in labels or label == position.label:
                others = [other for other in labels if other != position.label]
                yield ("positions", index, "shares_with", at), _unknown("other position", label, others)


def _joins(path: Path, steps: tuple[AnyStep, ...], known: Mapping[str, Source]) -> Iterator[tuple[Path, str]]:
    for index, step in enumerate(steps):
        if isinstance(step, Join):
            for name in step.sources:
                if name not in known:
                    yield (*path, index, "sources"), _unknown("source", name, known)


def _unknown(what: str, name: str, known: Iterable[str]) -> str:
    return f'there is no {what} "{name}"{nearest(name, known)}'


def needs_of(source: Source) -> tuple[str, ...]:
    """Return the names of the sources that this one is made from."""
    joined = (name for step in source.steps if isinstance(step, Join) for name in step.sources)
    return tuple(filter(None, (source.from_, *joined)))


def _circle(board: Board, start: str) -> list[str] | None:
    """Return a way from a source back to itself, if there is one."""
    waiting = [[start]]
    seen: set[str] = set()
    while waiting:
        way = waiting.pop()
        for name in needs_of(board.sources[way[-1]]) if way[-1] in board.sources else ():
            if name == start:
                return [*way, start]
            if name not in seen:
                seen.add(name)
                waiting.append([*way, name])
    return None
