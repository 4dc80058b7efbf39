"""Whether a recipe accounts for every byte: none missing in a chip, none claimed twice, none left over."""

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from daemon.boards.contents import Contents, Window
from daemon.boards.model import Position, Region
from daemon.boards.reading import BoardRecipe
from daemon.errors import Code
from daemon.images.content import Origin, ranges_of
from daemon.images.model import Range
from daemon.images.recipe_errors import Path, RecipeProblem, invalid

Marks = NDArray[np.bool_]

_FULL_HINT = (
    "Say in the recipe what is meant: fill for holes and short content, unused for bytes that go nowhere,"
    " shares_with for positions that hold the same bytes."
)


def check_coverage(
    recipe: BoardRecipe, contents: Contents, windows: Sequence[Window], sizes: Sequence[int]
) -> None:
    """Refuse gaps, overlaps and leftovers. Raises BenchError `board-coverage` with all of them.

    `windows` and `sizes` (what the board reads, in bytes) are by position.
    """
    found = [
        *_gaps(recipe, windows, sizes),
        *_overlaps(recipe, contents.files, windows),
        *_leftovers(recipe, contents, windows),
    ]
    problems = [RecipeProblem(path, recipe.line_of(path), reason) for path, reason in found]
    if problems:
        raise invalid(problems, f"board {recipe.id}", Code.BOARD_COVERAGE, _FULL_HINT)


def _gaps(recipe: BoardRecipe, windows: Sequence[Window], sizes: Sequence[int]) -> Iterator[tuple[Path, str]]:
    for index, (window, size) in enumerate(zip(windows, sizes, strict=True)):
        position, length = recipe.board.positions[index], len(window.content)
        path: Path = ("positions", index)
        if length < size:
            advice = f'fill with to_bytes = {size:#x}, or "repeat" it'
            yield path, f"{position.label} reads {size:,} bytes and the steps leave {length:,}: {advice}"
        elif length > size:
            advice = f"slice off {length - size:,} bytes, or split it over more positions"
            yield path, f"{position.label} reads {size:,} bytes and the steps leave {length:,}: {advice}"
        gaps = window.content.gaps
        if gaps:
            yield path, f"{position.label} has no content at {_listed(gaps)}, where the file has a hole"


def _overlaps(
    recipe: BoardRecipe, files: Mapping[str, Range], windows: Sequence[Window]
) -> Iterator[tuple[Path, str]]:
    positions = recipe.board.positions
    for name, numbers in files.items():
        takers = np.full(numbers.length_bytes, -1, dtype=np.int16)
        for index, window in enumerate(windows):
            taken = _taken(window, numbers)
            for earlier in np.unique(takers[taken & (takers >= 0)]).tolist():
                if not _share(positions[index], positions[earlier]):
                    both = ranges_of(taken & (takers == earlier))
                    yield (
                        ("positions", index),
                        f"{positions[index].label} and {positions[earlier].label} both take {name}"
                        f" {_listed(both)}",
                    )
            takers[taken & (takers < 0)] = index


def _share(one: Position, other: Position) -> bool:
    return other.label in one.shares_with or one.label in other.shares_with


def _taken(window: Window, numbers: Range) -> Marks:
    """Mark the bytes of one file that a window holds."""
    origin = window.content.origin
    assert origin is not None
    marks = np.zeros(numbers.length_bytes, dtype=np.bool_)
    inside = (origin >= numbers.start_bytes) & (origin < numbers.end_bytes)
    marks[origin[inside] - numbers.start_bytes] = True
    return marks


def _leftovers(
    recipe: BoardRecipe, contents: Contents, windows: Sequence[Window]
) -> Iterator[tuple[Path, str]]:
    for name, numbers in contents.files.items():
        origin = contents.laid_out[name].origin
        assert origin is not None
        taken = np.zeros(numbers.length_bytes, dtype=np.bool_)
        for window in windows:
            taken |= _taken(window, numbers)
        unused = recipe.board.sources[name].unused
        if unused == "rest":
            continue
        told = origin == Origin.GAP
        for skipped in contents.skipped:
            inside = (skipped >= numbers.start_bytes) & (skipped < numbers.end_bytes)
            told[skipped[inside] - numbers.start_bytes] = True
        for at, region in enumerate(unused):
            yield from _region(name, at, region, taken)
            told[region.start_bytes : region.start_bytes + region.length_bytes] = True
        left = ranges_of(~taken & ~told)
        if left:
            count = sum(each.length_bytes for each in left)
            yield ("sources", name), f"{count:,} bytes of {name} go in no chip: {_listed(left)}"


def _region(name: str, at: int, region: Region, taken: Marks) -> Iterator[tuple[Path, str]]:
    path: Path = ("sources", name, "unused", at)
    end = region.start_bytes + region.length_bytes
    if end > len(taken):
        yield path, f"ends at {end - 1:#x}, and {name} has {len(taken):,} bytes"
    marks = np.zeros_like(taken)
    marks[region.start_bytes : end] = True
    both = ranges_of(marks & taken)
    if both:
        yield path, f"says that {name} {_listed(both)} goes nowhere, and a position takes it"


def _listed(ranges: Sequence[Range]) -> str:
    shown = ", ".join(f"{each.start_bytes:#x} to {each.end_bytes - 1:#x}" for each in ranges[:3])
    return shown if len(ranges) <= 3 else f"{shown} and {len(ranges) - 3} stretches more"
