"""Programmers: which are there, their names, leases and links."""

from dataclasses import asdict
from typing import Annotated

from fastapi import APIRouter, Body, Path, Query

from api.schemas.programmers import (
    LeaseView,
    LeaseWish,
    LinkCounters,
    Programmer,
    ProgrammerChange,
    ProgrammerList,
)
from api.wiring import PLAIN, BenchHere
from daemon.bench import Bench
from daemon.programmers.views import ProgrammerView

router = APIRouter(prefix="/v1/programmers", tags=["programmers"])

ProgrammerId = Annotated[
    str, Path(max_length=200, pattern=PLAIN, description="Programmer id, or its user's name for it.")
]


ChangeBody = Annotated[ProgrammerChange, Body(examples=[{"name": "left hand"}])]
LeaseBody = Annotated[LeaseWish, Body(examples=[{"holder": "ci-runner-3", "ttl_s": 60}])]


@router.get("")
def list_programmers(bench: BenchHere) -> ProgrammerList:
    """List the programmers, and ports that may have one but do not answer as one."""
    return ProgrammerList(programmers=[_shown(bench, view) for view in bench.programmers()])


@router.get("/{programmer_id}")
def show_programmer(bench: BenchHere, programmer_id: ProgrammerId) -> Programmer:
    """Show one programmer."""
    return _shown(bench, bench.programmer(programmer_id))


@router.patch("/{programmer_id}")
def rename_programmer(bench: BenchHere, programmer_id: ProgrammerId, change: ChangeBody) -> Programmer:
    """Give a programmer a name, by which it can be called from then on."""
    return _shown(bench, bench.rename_programmer(programmer_id, change.name))


@router.post("/{programmer_id}/lease")
def take_lease(bench: BenchHere, programmer_id: ProgrammerId, wish: LeaseBody) -> LeaseView:
    """Take the lease on a programmer, or renew the one you hold.

    While it lasts nobody else can start jobs there. Who works alone needs none.
    """
    return LeaseView.of(bench.lease(programmer_id, wish.holder, wish.ttl_s))


@router.delete("/{programmer_id}/lease", status_code=204)
def release_lease(
    bench: BenchHere,
    programmer_id: ProgrammerId,
    lease_id: Annotated[str, Query(max_length=100, pattern=PLAIN, description="The lease to give back.")],
) -> None:
    """Give a lease back before it runs out."""
    bench.release(programmer_id, lease_id)


@router.get("/{programmer_id}/link")
def show_link(bench: BenchHere, programmer_id: ProgrammerId) -> LinkCounters:
    """Show how the line to a programmer does: frames sent, received, damaged, repeated."""
    return LinkCounters(counters=asdict(bench.link(programmer_id)))


def _shown(bench: Bench, view: ProgrammerView) -> Programmer:
    return Programmer.of(view, bench.lease_of(view.id))
