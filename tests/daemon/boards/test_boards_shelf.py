"""Boards as the bench keeps them: the user's recipes as files, the demo boards, plans with stored images."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.boards.demo_images import tern16_bin
from daemon.boards.drawer import ChipState, OnHand
from daemon.boards.shelf import BoardShelf, PlanRequest, ReadBack, ReassembleRequest
from daemon.catalogue.loader import Catalogue
from daemon.clock import SystemClock
from daemon.errors import BenchError, Code
from daemon.image_shelf import ImageShelf
from daemon.images import ImageFormat
from daemon.store.blobs import Blobs
from daemon.store.store import Store

OWN = """name = "My board"
[sources.rom]
file = "rom.bin"
[[positions]]
label = "U1"
made_for = "M27C64A"
access_ns = 300
source = "rom"
"""


@pytest.fixture
def images(tmp_path: Path) -> Iterator[ImageShelf]:
    blobs = Blobs(tmp_path / "images")
    blobs.open()
    with Store.open(f"sqlite:///{(tmp_path / 'bench.db').as_posix()}", SystemClock(), "b-test") as store:
        yield ImageShelf(store, blobs, 1 << 22)


@pytest.fixture
def shelf(tmp_path: Path, images: ImageShelf, catalogue: Catalogue) -> BoardShelf:
    return BoardShelf(tmp_path / "state" / "boards", catalogue, images)


def refused(code: Code, call: object) -> BenchError:
    assert callable(call)
    with pytest.raises(BenchError) as caught:
        call()
    assert caught.value.code is code
    assert caught.value.hint
    return caught.value


def test_demo_boards_are_there_from_the_start(shelf: BoardShelf) -> None:
    views = shelf.list()
    assert [view.id for view in views] == ["tern-16", "tern-16-wide", "tern-8"]
    assert all(view.demo and view.board and view.problem is None for view in views)
    assert shelf.get("TERN-8").name == "Tern-8"
    assert shelf.get("Tern-16 wide").id == "tern-16-wide"


def test_own_boards_are_files(shelf: BoardShelf, tmp_path: Path) -> None:
    shelf.add("mine", OWN)
    assert (tmp_path / "state" / "boards" / "mine.toml").read_text() == OWN
    assert shelf.list()[0].id == "mine"
    assert not shelf.get("mine").demo
    refused(Code.NAME_TAKEN, lambda: shelf.add("mine", OWN))
    shelf.add("mine", OWN.replace("My board", "Another"), replace=True)
    assert shelf.get("mine").name == "Another"
    shelf.delete("mine")
    refused(Code.NOT_FOUND, lambda: shelf.get("mine"))


def test_what_cannot_be_added(shelf: BoardShelf, tmp_path: Path) -> None:
    for name in ("", "../up", "Upper", "a b", "x" * 61, "tern/8", "con."):
        refused(Code.NAME_INVALID, lambda name=name: shelf.add(name, OWN))
    refused(Code.NAME_TAKEN, lambda: shelf.add("tern-8", OWN))
    refused(Code.NAME_TAKEN, lambda: shelf.add("tern-8", OWN, replace=True))
    error = refused(Code.RECIPE_INVALID, lambda: shelf.add("mine", OWN.replace("access", "excess")))
    assert "line 4" in error.message
    assert not (tmp_path / "state" / "boards").exists()


def test_demo_boards_cannot_be_deleted(shelf: BoardShelf) -> None:
    refused(Code.NAME_INVALID, lambda: shelf.delete("tern-8"))
    assert "did you mean tern-8?" in refused(Code.NOT_FOUND, lambda: shelf.delete("tern-7")).message


def test_a_file_that_was_spoilt_by_hand_is_listed_with_its_problem(shelf: BoardShelf, tmp_path: Path) -> None:
    shelf.add("mine", OWN)
    (tmp_path / "state" / "boards" / "mine.toml").write_text(OWN.replace("label", "lable"))
    (tmp_path / "state" / "boards" / "notes.txt").write_text("not a board")
    view = shelf.get("mine")
    assert view.board is None
    assert view.problem is not None
    assert "did you mean label?" in str(view.problem.details["problems"])
    assert shelf.list()[0].name == "mine"
    refused(Code.RECIPE_INVALID, lambda: shelf.plan("mine", PlanRequest()))


def test_a_demo_board_needs_nothing_to_be_planned(shelf: BoardShelf, images: ImageShelf) -> None:
    plan = shelf.plan("tern-16", PlanRequest())
    assert len(plan.chips) == 2
    assert images.list() == []
    kept = shelf.plan("tern-16", PlanRequest(copies=2), keep=True)
    for chip in kept.chips:
        assert chip.job.image is not None
        assert images.content(chip.job.image, ImageFormat.RAW) == chip.content.data
    names = {view.name for view in images.list()}
    assert names == {"tern-16 U10 for M27C512", "tern-16 U11 for M27C512", "tern16.bin"}


def test_plans_take_stored_images_by_digest(shelf: BoardShelf, images: ImageShelf) -> None:
    shelf.add("mine", OWN)
    data = bytes(range(256)) * 32
    digest = images.add(data, name="rom.bin", format=ImageFormat.RAW).sha256
    request = PlanRequest(
        sources={"rom": digest[:12]}, on_hand=(OnHand(part="M27C64A", state=ChipState.BLANK, access_ns=150),)
    )
    plan = shelf.plan("mine", request)
    assert plan.sources == {"rom": digest}
    assert plan.chips[0].content.data == data
    assert plan.to_buy == ()
    refused(Code.NOT_FOUND, lambda: shelf.plan("mine", PlanRequest(sources={"rom": "0" * 64})))
    refused(Code.BOARD_SOURCE, lambda: shelf.plan("mine", PlanRequest()))


def test_files_are_put_together_from_stored_reads(shelf: BoardShelf, images: ImageShelf) -> None:
    plan = shelf.plan("tern-16", PlanRequest())
    reads = {
        chip.position: ReadBack(image=images.keep_read(chip.content.data, "read")) for chip in plan.chips
    }
    view, missing = shelf.reassemble("tern-16", ReassembleRequest(chips=reads))["firmware"]
    assert images.content(view.sha256, ImageFormat.RAW) == tern16_bin()
    assert view.name == "tern16.bin from chips"
    assert missing == ()
