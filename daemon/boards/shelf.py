"""The bench's boards: the user's own as TOML files in the state directory, and the demo boards."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from pydantic import BaseModel, ConfigDict, Field

from daemon.boards.demo_images import DEMO_FILES
from daemon.boards.drawer import OnHand
from daemon.boards.model import Board
from daemon.boards.reading import BoardRecipe, read_board
from daemon.catalogue.loader import Catalogue
from daemon.durable import write_atomically
from daemon.errors import BenchError, Code
from daemon.image_shelf import ImageShelf, ImageView
from daemon.images.model import Image, ImageFormat, Range
from daemon.images.recipe_errors import nearest
from daemon.state_dir import prepare_private_dir

if TYPE_CHECKING:
    from daemon.boards.plan import BoardPlan

_DEMO = Path(__file__).parent / "demo"
_ID = re.compile(r"[a-z0-9]+(?:[.-][a-z0-9]+)*")
_ID_MAX = 60
_SUFFIX = ".toml"


@dataclass(frozen=True, slots=True)
class BoardView:
    """A board as front ends see it. `problem` says why its recipe cannot be used; `board` is None then."""

    id: str
    demo: bool
    text: str
    board: Board | None
    problem: BenchError | None = None

    @property
    def name(self) -> str:
        """What people call it."""
        return self.board.name if self.board else self.id


Digest = Annotated[str, Field(pattern=r"^[0-9a-f]{8,64}$")]


class PlanRequest(BaseModel):
    """What a plan is asked for."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    sources: Annotated[dict[str, Digest], Field(max_length=32)] = Field(
        default={},
        description="Image for each source, by SHA-256 or its first 8 digits; a demo board has its own.",
    )
    on_hand: Annotated[tuple[OnHand, ...], Field(max_length=200)] = Field(
        default=(), description="Chips that are there."
    )
    copies: int = Field(default=1, ge=1, le=100, description="How many sets of the board.")
    first_copy: int = Field(
        default=0,
        ge=0,
        le=1_000_000,
        description="Sets that were made before: serial numbers and patches of sets go on after them.",
    )


class ReadBack(BaseModel):
    """The content of one position's chip, and which part it is if its size does not tell."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    image: Digest
    """Image that was read from the chip."""
    part: str | None = Field(default=None, max_length=100)
    """Which part it is."""


class ReassembleRequest(BaseModel):
    """What was read from a board's chips, by position."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    chips: Annotated[dict[str, ReadBack], Field(min_length=1, max_length=64)]
    """What was read, by position."""
    sizes: Annotated[dict[str, Annotated[int, Field(ge=1, le=1 << 26)]], Field(max_length=32)] = Field(
        default={}, description="Size in bytes of files whose recipe does not say it."
    )
    known: Annotated[dict[str, Digest], Field(max_length=32)] = Field(
        default={}, description="Images that fill in what no chip holds, such as an older release."
    )


class BoardShelf:
    """Takes recipes in, finds them, plans with them. Thread-safe: every call reads the files anew."""

    def __init__(self, folder: Path, catalogue: Catalogue, images: ImageShelf) -> None:
        """Use `folder` for the user's boards; it is made when the first is added."""
        self._folder = folder
        self._catalogue = catalogue
        self._images = images

    # Recipes

    def list(self) -> "Sequence[BoardView]":
        """Return all boards, the user's first, each in order of their ids."""
        own = [path for path in self._own_files() if _ID.fullmatch(path.stem)]
        own.sort(key=lambda path: path.stem)
        demos = sorted(_DEMO.glob(f"*{_SUFFIX}"), key=lambda path: path.stem)
        return [_view(path, demo=False) for path in own] + [_view(path, demo=True) for path in demos]

    def get(self, board_id: str) -> BoardView:
        """Return one board by its id or its name. Raises BenchError `not-found`."""
        folded = board_id.strip().lower()
        for path, demo in ((self._path(folded), False), (_DEMO / f"{folded}{_SUFFIX}", True)):
            if _ID.fullmatch(folded) and path.is_file():
                return _view(path, demo=demo)
        views = self.list()
        named = [view for view in views if view.name.lower() == folded]
        if len(named) == 1:
            return named[0]
        raise BenchError(
            Code.NOT_FOUND,
            f'there is no board "{board_id[:60]}"{nearest(folded, [view.id for view in views])}',
            hint="List the boards to see their ids.",
            field="board",
        )

    def add(self, board_id: str, text: str, *, replace: bool = False) -> BoardView:
        """Keep a recipe. Raises BenchError `name-invalid`, `name-taken`, `recipe-invalid`, `disk-full`."""
        if not _ID.fullmatch(board_id) or len(board_id) > _ID_MAX:
            raise BenchError(
                Code.NAME_INVALID,
                f'"{board_id[:60]}" cannot be the id of a board',
                hint=f'Up to {_ID_MAX} lower-case letters and digits with "-" or "." between are accepted.',
                field="board",
            )
        path = self._path(board_id)
        if (_DEMO / path.name).exists() or (path.exists() and not replace):
            raise BenchError(
                Code.NAME_TAKEN,
                f"there is a board {board_id} already",
                hint="Choose another id, or replace that board if it is your own.",
                field="board",
            )
        recipe = read_board(board_id, text)
        prepare_private_dir(self._folder)
        try:
            write_atomically(path, text.encode("utf-8"))
        except OSError as error:
            raise BenchError(
                Code.DISK_FULL,
                f"the recipe cannot be written: {error.strerror or error}",
                hint="Make room on the disk of the state directory.",
            ) from error
        return BoardView(board_id, False, text, recipe.board)

    def delete(self, board_id: str) -> None:
        """Forget a board of the user's. Raises BenchError `not-found`; demo boards stay."""
        view = self.get(board_id)
        if view.demo:
            raise BenchError(
                Code.NAME_INVALID,
                f"{view.id} is a demo board and cannot be deleted",
                hint="Only boards that were added can be.",
                field="board",
            )
        self._path(view.id).unlink(missing_ok=True)

    # Work

    def plan(self, board_id: str, request: PlanRequest, *, keep: bool = False) -> "BoardPlan":
        """Plan a board. With `keep`, each chip's content joins the images, so that its job can run.

        Raises BenchError: what `plan_board` raises, and `not-found` for an image.
        """
        from daemon.boards.plan import plan_board

        recipe = self._recipe(board_id)
        images = {name: self._images.load(digest) for name, digest in request.sources.items()}
        images |= self._demo_images(recipe, images, keep)
        plan = plan_board(
            recipe, images, self._catalogue, request.on_hand, request.copies, request.first_copy
        )
        for chip in plan.chips if keep else ():
            name = f"{recipe.id} {chip.position} for {chip.part_name}"
            self._images.add(chip.content.data, name=name, format=ImageFormat.RAW)
        return plan

    def reassemble(
        self, board_id: str, request: ReassembleRequest
    ) -> dict[str, tuple[ImageView, tuple[Range, ...]]]:
        """Put a board's files together again from what its chips hold, and keep them among the images.

        Returns for each source its image and what stays unknown. Raises BenchError: what
        `daemon.boards.reassemble` raises, and `not-found` for an image.
        """
        from daemon.boards.reassemble import ReadChip, reassemble

        chips = {
            label: ReadChip(self._content(each.image), each.part) for label, each in request.chips.items()
        }
        known = {name: self._content(digest) for name, digest in request.known.items()}
        recipe = self._recipe(board_id)
        files = reassemble(recipe, chips, self._catalogue, sizes=request.sizes, known=known)
        return {
            name: (
                self._images.add(
                    restored.data,
                    name=f"{recipe.board.sources[name].file} from chips",
                    format=ImageFormat.RAW,
                ),
                restored.missing,
            )
            for name, restored in files.items()
        }

    def _content(self, digest: str) -> bytes:
        return self._images.content(digest, ImageFormat.RAW)

    def _recipe(self, board_id: str) -> BoardRecipe:
        view = self.get(board_id)
        return read_board(view.id, view.text)

    def _demo_images(self, recipe: BoardRecipe, given: dict[str, Image], keep: bool) -> dict[str, Image]:
        """Make the files of a demo board that were not given; kept ones can be looked at like any other."""
        makers = DEMO_FILES.get(recipe.id, {})
        made: dict[str, Image] = {}
        for name, make in makers.items():
            if name not in given:
                data = make()
                made[name] = Image.raw(data)
                if keep:
                    self._images.add(data, name=recipe.board.sources[name].file, format=ImageFormat.RAW)
        return made

    # Files

    def _path(self, board_id: str) -> Path:
        return self._folder / f"{board_id}{_SUFFIX}"

    def _own_files(self) -> "Sequence[Path]":
        try:
            return [path for path in self._folder.iterdir() if path.suffix == _SUFFIX]
        except FileNotFoundError:
            return []


def _view(path: Path, *, demo: bool) -> BoardView:
    text = path.read_text(encoding="utf-8", errors="replace")
    try:
        return BoardView(path.stem, demo, text, read_board(path.stem, text).board)
    except BenchError as error:
        return BoardView(path.stem, demo, text, None, error)
