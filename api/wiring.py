"""How routes reach what the application was made with."""

from typing import Annotated

from fastapi import Depends, Header, Request

from api.metrics import Counts
from daemon.bench import Bench


def bench_of(request: Request) -> Bench:
    """Return the bench that the application serves."""
    bench: Bench = request.app.state.bench
    return bench


def counts_of(request: Request) -> Counts:
    """Return what the application counts about itself."""
    counts: Counts = request.app.state.counts
    return counts


PLAIN = r"^[^\x00-\x1f\x7f]*$"
"""Text without control characters: they have no place in a name, and would reach terminals and databases."""

BenchHere = Annotated[Bench, Depends(bench_of)]
CountsHere = Annotated[Counts, Depends(counts_of)]
LeaseId = Annotated[
    str | None,
    Header(
        max_length=100,
        pattern=PLAIN,
        description="The lease you hold, if several clients share.",
    ),
]
