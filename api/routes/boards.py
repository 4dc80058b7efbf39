"""Boards: list, add, show, delete, plan, and back from chips to files."""

from typing import Annotated

from fastapi import APIRouter, Body, Path, Query, Response

from api.schemas.boards import (
    BoardDetails,
    BoardList,
    BoardSummary,
    NewBoard,
    PlanView,
    RestoredFile,
    RestoredFiles,
)
from api.schemas.shopping import ShoppingView
from api.wiring import PLAIN, BenchHere
from daemon.boards.shelf import PlanRequest, ReassembleRequest
from daemon.boards.shopping import ShoppingRequest

PATH = "/v1/boards"

router = APIRouter(prefix=PATH, tags=["boards"])

BoardId = Annotated[str, Path(max_length=300, pattern=PLAIN, description="Board id, or its name.")]
PlanBody = Annotated[
    PlanRequest,
    Body(
        examples=[
            {
                "sources": {"release": "SHA-256 of an uploaded image"},
                "on_hand": [{"part": "M27C512", "count": 2, "state": "blank", "access_ns": 100}],
                "copies": 1,
            }
        ]
    ),
]


ShoppingBody = Annotated[
    ShoppingRequest,
    Body(
        examples=[
            {
                "plan": {"copies": 20, "on_hand": [{"part": "M27C512", "count": 30, "state": "used"}]},
                "lamp": "big box",
                "hours": 3,
            }
        ]
    ),
]


@router.get("")
def list_boards(bench: BenchHere) -> BoardList:
    """List the boards: your own, and the demo boards."""
    return BoardList(boards=[BoardSummary.of(view) for view in bench.boards.list()])


@router.post("", status_code=201)
def add_board(bench: BenchHere, board: NewBoard, response: Response) -> BoardDetails:
    """Keep a recipe. A wrong one is refused with every problem in it, each with its line."""
    view = bench.boards.add(board.id, board.text, replace=board.replace)
    response.headers["Location"] = f"{PATH}/{view.id}"
    return BoardDetails.of(view)


@router.get("/{board_id}")
def show_board(bench: BenchHere, board_id: BoardId) -> BoardDetails:
    """Show a board and its recipe."""
    return BoardDetails.of(bench.boards.get(board_id))


@router.delete("/{board_id}", status_code=204)
def delete_board(bench: BenchHere, board_id: BoardId) -> None:
    """Forget a board of your own."""
    bench.boards.delete(board_id)


@router.post("/{board_id}/plan")
def plan_board(
    bench: BenchHere,
    board_id: BoardId,
    request: PlanBody,
    keep: Annotated[
        bool, Query(description="Add each chip's content to the images, so that its job can run.")
    ] = False,
) -> PlanView:
    """Work out the exact content of every chip, which part it is, and what to buy or erase first.

    Nothing is left to chance: gaps, overlaps and bytes that go nowhere are refused unless the recipe says
    that they are meant.
    """
    return PlanView.of(bench.boards.plan(board_id, request, keep=keep), kept=keep)


@router.post("/{board_id}/shopping-list")
def list_shopping(bench: BenchHere, board_id: BoardId, request: ShoppingBody) -> ShoppingView:
    """Say what some sets of a board need: on hand, erased by light in time, to be bought.

    Every chip is in exactly one of the three. Times are lit times of the lamp, the slow end of the estimate.
    """
    return ShoppingView.of(bench.shopping(board_id, request))


@router.post("/{board_id}/reassemble")
def reassemble_board(bench: BenchHere, board_id: BoardId, request: ReassembleRequest) -> RestoredFiles:
    """Put a board's files together again from what its chips hold; they join the images."""
    files = [
        RestoredFile.of(source, view.sha256, view.size_bytes, missing)
        for source, (view, missing) in bench.boards.reassemble(board_id, request).items()
    ]
    return RestoredFiles(files=files)
