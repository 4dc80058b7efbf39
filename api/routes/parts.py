"""Parts of the catalogue."""

from typing import Annotated

from fastapi import APIRouter, Body, Path, Query

from api.schemas.adapters import FileProblem, FileProblems
from api.schemas.diagnosis import DeadBoardWalk
from api.schemas.parts import PartList, PartSummary, PartView
from api.schemas.stand_ins import StandInList
from api.wiring import PLAIN, BenchHere
from daemon.adapters.stand_ins import StandInRequest
from daemon.diagnosis.board_dead import BoardNeeds

PartId = Annotated[
    str, Path(max_length=100, pattern=PLAIN, description="Part id, name, or an alias of only one part.")
]
StandInBody = Annotated[
    StandInRequest,
    Body(
        examples=[{"access_ns": 200, "nets": {"1": "high"}}, {"words": 2048, "candidates": ["2732", "27C64"]}]
    ),
]

DeadBoardBody = Annotated[BoardNeeds, Body(examples=[{"access_ns": 250, "grade_ns": 150, "vcc_v": 4.95}, {}])]

router = APIRouter(prefix="/v1/parts", tags=["parts"])


@router.get("")
def list_parts(
    bench: BenchHere,
    q: Annotated[
        str | None,
        Query(max_length=100, pattern=PLAIN, description="Words to look for in names, aliases and makers."),
    ] = None,
) -> PartList:
    """List the parts, or find some by words; the best match comes first."""
    return PartList(
        parts=[PartSummary.of(part) for part in bench.parts(q or None)],
        problems=[problem.text for problem in bench.part_problems()],
    )


@router.get("/problems")
def list_file_problems(bench: BenchHere) -> FileProblems:
    """List what is wrong with the files in the user's own folders of parts and adapters.

    The daemon reads a file once: correct it, and start the daemon again.
    """
    return FileProblems(problems=[FileProblem.of(problem) for problem in bench.file_problems()])


@router.get("/{part_id}")
def show_part(bench: BenchHere, part_id: PartId) -> PartView:
    """Show a part in full: pins, what they get in each mode, and where each value is from."""
    return PartView.of(bench.part(part_id))


@router.post("/{part_id}/dead-board")
def walk_dead_board(
    bench: BenchHere,
    part_id: PartId,
    needs: DeadBoardBody,
    programmer: Annotated[
        str | None,
        Query(max_length=200, pattern=PLAIN, description="Whose limits to tell, by id or name."),
    ] = None,
) -> DeadBoardWalk:
    """Say what to look at where a chip verifies and its board is dead all the same, in order.

    Nothing is read or powered. What a programmer cannot see of a chip is said at the end.
    """
    return DeadBoardWalk.of(bench.dead_board(part_id, needs, programmer))


@router.post("/{part_id}/stand-ins")
def find_stand_ins(bench: BenchHere, part_id: PartId, place: StandInBody) -> StandInList:
    """Say which parts can stand where this one was meant to, with what must be done, and why others cannot.

    A family's name will do for the part where all its members have the same pins and size.
    """
    return StandInList.of(bench.stand_ins(part_id, place))
