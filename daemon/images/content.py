"""Flat content on its way from a file to a chip, each byte with the place it came from."""

from dataclasses import dataclass
from enum import IntEnum
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from daemon.images.model import Image, Range
from daemon.images.values import MAX_CONTENT_BYTES

Bytes = NDArray[np.uint8]
Origins = NDArray[np.int32]
AnyArray = TypeVar("AnyArray", bound=NDArray[Any])


class Origin(IntEnum):
    """Where a byte came from when it came from no file; 0 and up are numbers of file bytes."""

    FILLED = -1
    """A recipe said so: padding."""
    MADE = -2
    """A patch, a checksum, a serial number."""
    GAP = -3
    """Nothing: the file has a hole here, and no step has filled it."""


class StepFault(Exception):  # noqa: N818 (it is turned into the error of the recipe's line)
    """A step that cannot be applied to this content: which field, what is wrong, what would be accepted."""

    def __init__(self, field: str, message: str, hint: str) -> None:
        super().__init__(message)
        self.field = field
        self.message = message
        self.hint = hint


@dataclass(frozen=True, slots=True, eq=False)
class Content:
    """Bytes, and for each the number of the file byte that it is, or an `Origin`. Both of one length.

    `origin` is None for content whose bytes are not followed; it has no gaps.
    """

    data: Bytes
    origin: Origins | None

    def __len__(self) -> int:
        return len(self.data)

    @property
    def gaps(self) -> tuple[Range, ...]:
        """The stretches that nothing fills."""
        if self.origin is None:
            return ()
        return ranges_of(self.origin == Origin.GAP)


def content_of(
    image: Image, base_address: int = 0, first_number: int = 0, *, followed: bool = True
) -> Content:
    """Lay an image out flat from `base_address`, its bytes numbered by address from `first_number` on.

    With `followed` false they get no numbers if the image has no holes. Holes hold 0xFF. Raises StepFault
    where content lies below the base, or too far above it.
    """
    if image.lowest < base_address:
        raise StepFault(
            "base_address",
            f"the content begins at {image.lowest:#x}, below the base address {base_address:#x}",
            f"Say base_address = {image.lowest:#x}, or less.",
        )
    size = image.end - base_address
    if size > MAX_CONTENT_BYTES:
        raise StepFault(
            "base_address",
            f"the content lies from {image.lowest:#x} to {image.end - 1:#x}; from base address"
            f" {base_address:#x} that is {size:,} bytes, and at most {MAX_CONTENT_BYTES:,} are taken",
            f"Say base_address = {image.lowest:#x} if its first byte is the chip's first.",
        )
    if len(image.segments) == 1 and image.lowest == base_address:
        numbers = np.arange(first_number, first_number + size, dtype=np.int32) if followed else None
        return Content(np.frombuffer(image.segments[0].data, dtype=np.uint8), numbers)
    data = np.full(size, 0xFF, dtype=np.uint8)
    origin = np.full(size, Origin.GAP, dtype=np.int32)
    for segment in image.segments:
        start, end = segment.start_bytes - base_address, segment.end_bytes - base_address
        data[start:end] = np.frombuffer(segment.data, dtype=np.uint8)
        origin[start:end] = np.arange(first_number + start, first_number + end, dtype=np.int32)
    return Content(data, origin)


def ranges_of(marks: NDArray[np.bool_], limit: int = 1000) -> tuple[Range, ...]:
    """Return the stretches where `marks` is true, at most `limit` of them."""
    edges = np.flatnonzero(np.diff(marks, prepend=False, append=False))[: 2 * limit].tolist()
    return tuple(Range(start, end) for start, end in zip(edges[::2], edges[1::2], strict=True))
