"""What tests of boards share: the catalogue, demo recipes, and a shorthand for plans."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from daemon import boards
from daemon.boards.demo_images import DEMO_FILES
from daemon.boards.plan import BoardPlan, plan_board
from daemon.boards.reading import BoardRecipe, read_board
from daemon.catalogue.loader import Catalogue
from daemon.images import Image

DEMO = Path(boards.__file__).parent / "demo"


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return Catalogue()


@pytest.fixture
def demo() -> Callable[[str], BoardRecipe]:
    return lambda board_id: read_board(board_id, (DEMO / f"{board_id}.toml").read_text(encoding="utf-8"))


@pytest.fixture
def plan_demo(demo: Callable[[str], BoardRecipe], catalogue: Catalogue) -> Callable[..., BoardPlan]:
    """Plan a demo board with its own files."""

    def plan(board_id: str, **options: Any) -> BoardPlan:
        images = {name: Image.raw(make()) for name, make in DEMO_FILES[board_id].items()}
        return plan_board(demo(board_id), images, catalogue, **options)

    return plan


@pytest.fixture
def plan_text(catalogue: Catalogue) -> Callable[..., BoardPlan]:
    """Plan a board from its text and plain files."""

    def plan(text: str, files: dict[str, bytes | Image], **options: Any) -> BoardPlan:
        images = {name: each if isinstance(each, Image) else Image.raw(each) for name, each in files.items()}
        return plan_board(read_board("board", text), images, catalogue, **options)

    return plan
