"""The transformations an image can go through, as declarations: what a recipe may say, and in plain words.

A recipe is a list of tables, each with `do` and what belongs to it. Offsets count from the first byte of what
the step before left. What the steps do to bytes is in `moves` (bytes change places) and `fixes` (bytes change
values); here nothing needs numpy, so that reading a recipe is cheap.
"""

from typing import Annotated

from pydantic import Field

from daemon.images.moving_steps import (
    Fill,
    Join,
    Place,
    ReorderAddressLines,
    ReorderDataLines,
    Repeat,
    SkipHeader,
    Slice,
    Split,
    SwapBytes,
)
from daemon.images.value_steps import (
    Checksum,
    Patch,
    PatchEach,
    Serial,
)

MovingStep = SkipHeader | Slice | Split | SwapBytes | ReorderAddressLines | Fill | Place | Repeat
"""Steps that only move bytes of one content, and bring in fill."""

AnyStep = Annotated[
    SkipHeader
    | Slice
    | Split
    | SwapBytes
    | ReorderAddressLines
    | ReorderDataLines
    | Fill
    | Place
    | Repeat
    | Join
    | Patch
    | PatchEach
    | Checksum
    | Serial,
    Field(discriminator="do"),
]
"""One step of a recipe, told apart by `do`."""

Steps = Annotated[tuple[AnyStep, ...], Field(max_length=64)]
"""A recipe's list of steps."""
