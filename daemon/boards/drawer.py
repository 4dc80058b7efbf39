"""The chips that a user has, as they are told."""

from enum import StrEnum
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field


class ChipState(StrEnum):
    """What is known of a chip's content."""

    BLANK = "blank"
    USED = "used"
    UNKNOWN = "unknown"


class OnHand(BaseModel):
    """Some equal chips in the drawer. `access_ns` is the speed grade marked on them, None if not known."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    part: Annotated[str, Field(min_length=1, max_length=100)]
    """Part id, name, or an alias of only one part."""
    count: Annotated[int, Field(ge=1, le=10_000)] = 1
    """How many."""
    state: ChipState = ChipState.UNKNOWN
    """What is known of their content."""
    access_ns: Annotated[float, Field(gt=0, le=1e5, allow_inf_nan=False)] | None = None
    """Speed grade that is marked on them, nanoseconds."""
    label: Annotated[str, Field(max_length=100)] = ""
    """What the user calls them: a drawer, a bag."""
