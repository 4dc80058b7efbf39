"""Parts of the catalogue."""

from typing import Annotated

from fastapi import APIRouter, Path, Query

from api.schemas.parts import PartList, PartSummary, PartView
from api.wiring import PLAIN, BenchHere

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


@router.get("/{part_id}")
def show_part(
    bench: BenchHere,
    part_id: Annotated[
        str, Path(max_length=100, pattern=PLAIN, description="Part id, name, or an alias of only one part.")
    ],
) -> PartView:
    """Show a part in full: pins, what they get in each mode, and where each value is from."""
    return PartView.of(bench.part(part_id))
