"""What each position of a board reads: files, through the steps of sources and positions."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from daemon.boards.model import Position
from daemon.boards.reading import BoardRecipe, needs_of
from daemon.errors import BenchError, Code
from daemon.images.content import Content, Origins, StepFault, content_of
from daemon.images.model import Image, Range
from daemon.images.moving_steps import Join
from daemon.images.recipe_errors import nearest
from daemon.images.transform import Surroundings, Trace, Where, run
from daemon.images.value_steps import PatchEach, Serial

_BETWEEN_FILES = 64
"""Numbers left free between the bytes of two files, so that no map runs on from one into the next."""


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """What the board reads at a position, and the steps that led there."""

    content: Content
    traces: tuple[Trace, ...]


class Contents:
    """Works out windows. `files` gives each file its numbers of bytes, `skipped` what steps left out."""

    def __init__(self, recipe: BoardRecipe, images: Mapping[str, Image]) -> None:
        """Lay the files out. Raises BenchError `board-source` for one that is missing, unknown or another."""
        self._recipe = recipe
        self.files: dict[str, Range] = {}
        self.laid_out: dict[str, Content] = {}
        self.skipped: list[Origins] = []
        _refuse_other_names(recipe, images)
        number = 0
        for name in recipe.board.files:
            content = self._file(name, images, number)
            self.laid_out[name] = content
            self.files[name] = Range(number, number + len(content))
            number += len(content) + _BETWEEN_FILES

    def where(self, *path: str | int) -> Where:
        """Return a place in the recipe, for messages."""
        board = self._recipe.board
        words = ""
        if path[0] == "positions":
            words = f"position {board.positions[int(path[1])].label}"
        elif path[0] == "sources":
            words = f"source {path[1]}"
        return Where(path, words, self._recipe.line_of)

    def _file(self, name: str, images: Mapping[str, Image], number: int) -> Content:
        source = self._recipe.board.sources[name]
        image = images.get(name)
        if image is None:
            raise self.where("sources", name).located(
                ("file",),
                BenchError(
                    Code.BOARD_SOURCE,
                    f"its file ({source.file}) is not given",
                    hint=f"Upload it and name the image for source {name}.",
                ),
            )
        try:
            content = content_of(image, source.base_address, number)
        except StepFault as fault:
            raise self.where("sources", name).fault((), "", fault) from None
        if source.size_bytes is not None and len(content) != source.size_bytes:
            raise self.where("sources", name).located(
                ("size_bytes",),
                BenchError(
                    Code.BOARD_SOURCE,
                    f"the file has {len(content):,} bytes, and the recipe is for {source.size_bytes:,}",
                    hint=_size_advice(len(content) - source.size_bytes),
                    details={"size_bytes": len(content), "expected_bytes": source.size_bytes},
                ),
            )
        return content

    # Content by way of steps

    def window(self, index: int, copy: int = 0) -> Window:
        """Return what position number `index` reads in copy `copy`; raises BenchError `recipe-step`."""
        position = self._recipe.board.positions[index]
        content, traces = self._source(position.source, copy)
        around = Surroundings(lambda name: self._source(name, copy)[0], copy, self.skipped)
        content, more = run(position.steps, content, around, self.where("positions", index, "steps"))
        return Window(content, (*traces, *more))

    def _source(self, name: str, copy: int) -> tuple[Content, tuple[Trace, ...]]:
        source = self._recipe.board.sources[name]
        traces: tuple[Trace, ...] = ()
        if source.from_ is None:
            content = self.laid_out[name]
        else:
            content, traces = self._source(source.from_, copy)
        around = Surroundings(lambda other: self._source(other, copy)[0], copy, self.skipped)
        content, more = run(source.steps, content, around, self.where("sources", name, "steps"))
        return content, (*traces, *more)

    def differs_by_copy(self, position: Position) -> bool:
        """Tell whether each copy of the board gets its own content there."""
        sources = self._recipe.board.sources
        steps = [*position.steps]
        for name in self._sources_behind(position):
            steps += sources[name].steps
        return any(isinstance(step, Serial | PatchEach) for step in steps)

    def _sources_behind(self, position: Position) -> Iterator[str]:
        joined = [name for step in position.steps if isinstance(step, Join) for name in step.sources]
        waiting, seen = [position.source, *joined], set()
        while waiting:
            name = waiting.pop()
            if name not in seen:
                seen.add(name)
                yield name
                waiting += needs_of(self._recipe.board.sources[name])


def _refuse_other_names(recipe: BoardRecipe, images: Mapping[str, Image]) -> None:
    files = recipe.board.files
    for name in images:
        if name not in files:
            raise BenchError(
                Code.BOARD_SOURCE,
                f'board {recipe.id} takes no file for "{name}"{nearest(name, files)}',
                hint=f"It takes files for {', '.join(files)}.",
                field=f"sources.{name}",
            )


def _size_advice(excess: int) -> str:
    if excess > 0:
        return f"It is {excess:,} bytes too long: another release, or a header that is not meant to be there."
    return f"It is {-excess:,} bytes short: another release, or a copy that was cut off."
