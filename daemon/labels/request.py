"""What labels are asked for: those of a board's plan, of a batch, of jobs, or words of one's own."""

from datetime import date as Day  # noqa: N812 - a field has that name
from enum import StrEnum
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from daemon.boards.shelf import PlanRequest
from daemon.labels.model import LabelText, Line, Stock

LABELS_MAX = 6400
"""A hundred sets of the largest board."""

Name = Annotated[str, Field(min_length=1, max_length=300, pattern=r"^[^\x00-\x1f\x7f]*$")]


class LabelOrder(StrEnum):
    """In which order a plan's labels stand: as its chips are programmed."""

    BY_POSITION = "by-position"
    BY_SET = "by-set"


class LabelRequest(BaseModel):
    """Which labels, what they say beside what is known, and on what they are printed.

    Exactly one of `board`, `batch`, `jobs` and `labels` says whose.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    board: Name | None = None
    """Board id or name: a label for each chip of its plan."""
    plan: PlanRequest = PlanRequest()
    """With `board`: the chips on hand, the files, how many sets."""
    order: LabelOrder = LabelOrder.BY_POSITION
    """With `board`: all labels of a position together, or set by set."""
    batch: Name | None = None
    """Batch: a label for each chip, in its order."""
    only_made: bool = False
    """With `batch`: only chips that are made."""
    jobs: Annotated[tuple[Name, ...], Field(max_length=1000)] = ()
    """Jobs that programmed or verified a chip: a label for each."""
    labels: Annotated[tuple[LabelText, ...], Field(max_length=LABELS_MAX)] = ()
    """Words of your own."""
    title: Line | None = None
    """The product, in place of the name that is known."""
    version: Line = ""
    """The version, after the product."""
    date: Day | None = None
    """Date on the labels; today if left out."""
    stock: Stock = Stock()
    """What it is printed on."""
    start_at: Annotated[int, Field(ge=1, le=10_000)] = 1
    """First free place of the first sheet, counted row by row: to use up a sheet that was begun."""

    @model_validator(mode="after")
    def _one_origin(self) -> Self:
        origins = {"board": self.board, "batch": self.batch, "jobs": self.jobs, "labels": self.labels}
        given = [name for name, value in origins.items() if value]
        if len(given) != 1:
            said = " and ".join(given) or "none"
            raise PydanticCustomError(
                "label",
                "{message}",
                {"message": f"give one of board, batch, jobs and labels; {said} was given"},
            )
        places = self.stock.across * self.stock.down
        if self.start_at > places:
            raise PydanticCustomError(
                "label",
                "{message}",
                {"message": f"start_at is {self.start_at}, a sheet has {places} labels"},
            )
        return self
