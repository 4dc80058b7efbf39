"""Adapters between chip and socket."""

from typing import Annotated

from fastapi import APIRouter, Path, Query

from api.schemas.adapters import AdapterList, AdapterView
from api.wiring import PLAIN, BenchHere

router = APIRouter(prefix="/v1/adapters", tags=["adapters"])


@router.get("")
def list_adapters(
    bench: BenchHere,
    part: Annotated[
        str | None,
        Query(max_length=100, pattern=PLAIN, description="Only adapters that this part can sit on."),
    ] = None,
) -> AdapterList:
    """List the adapters, or those that a part can sit on, with how it sits on each."""
    if part:
        shown = [AdapterView.of(seated.adapter, seated) for seated in bench.seats(part)]
    else:
        shown = [AdapterView.of(adapter) for adapter in bench.adapters_list()]
    return AdapterList(adapters=shown, problems=[problem.text for problem in bench.adapters.problems])


@router.get("/{adapter_id}")
def show_adapter(
    bench: BenchHere,
    adapter_id: Annotated[str, Path(max_length=100, pattern=PLAIN, description="Adapter id or name.")],
) -> AdapterView:
    """Show an adapter: how the chip goes in, and where each of its pins goes."""
    return AdapterView.of(bench.adapter(adapter_id))
