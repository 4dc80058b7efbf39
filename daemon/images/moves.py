"""Steps that move bytes: each becomes a function from an array to an array, whatever the array's type.

So the same code moves the bytes and the numbers that say where they came from, and the numbers it moves give
its inverse.
"""

from collections.abc import Callable
from functools import singledispatch
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daemon.images.content import Bytes, StepFault
from daemon.images.moving_steps import (
    Fill,
    Missing,
    Place,
    ReorderAddressLines,
    Repeat,
    SkipHeader,
    Slice,
    Split,
    SwapBytes,
)
from daemon.images.steps import MovingStep
from daemon.images.values import MAX_CONTENT_BYTES, spelled

Array = NDArray[Any]
Mover = Callable[[Array, int], Array]
"""Moves an array; the number is what stands where nothing comes from it."""

_MAGIC_WITHIN_BYTES = 1 << 16
_SMALL_LINES = 16
_LONG_RUN = 8


@singledispatch
def mover(step: MovingStep, size: int, data: Bytes | None) -> Mover:
    """Return what moves the bytes of `size` bytes of content as the step says.

    `data` is the content where it is known; a header may have to be looked for in it. Raises StepFault when
    the step does not suit the content.
    """
    raise TypeError(f"{type(step).__name__} moves nothing")


@mover.register
def _(step: SkipHeader, size: int, data: Bytes | None) -> Mover:
    length = header_bytes(step, size, data)
    if length >= size:
        raise StepFault(
            "length_bytes",
            f"a header of {length:,} bytes leaves nothing of {size:,} bytes",
            f"A header here can have at most {size - 1:,} bytes; or the file is cut short.",
        )
    return lambda array, blank: array[length:]


def header_bytes(step: SkipHeader, size: int, data: Bytes | None) -> int:
    """Return the length of the header. Without the data, a header that may be missing is taken to be."""
    if step.magic is None:
        assert step.length_bytes is not None
        return step.length_bytes
    if data is None:
        if step.missing is Missing.KEEP:
            return 0
        if step.length_bytes is None:
            raise StepFault(
                "length_bytes",
                "how long the header is shows only in the file itself",
                "Say length_bytes too, so that the content can be put back behind a header of that length.",
            )
        return step.length_bytes
    head = data[:_MAGIC_WITHIN_BYTES].tobytes()
    if step.length_bytes is not None and head.startswith(step.magic):
        return step.length_bytes
    if step.length_bytes is None and (at := head.find(step.magic)) >= 0:
        return at + len(step.magic)
    if step.missing is Missing.KEEP:
        return 0
    begins = spelled(head[: max(len(step.magic), 4)])
    place = "does not begin with" if step.length_bytes is not None else "has in its first 64 KiB no"
    raise StepFault(
        "magic",
        f"the file {place} '{spelled(step.magic)}'; it begins with '{begins}'",
        'Check that it is the right file, or say missing = "keep" to take it as one without a header.',
    )


@mover.register
def _(step: Slice, size: int, data: Bytes | None) -> Mover:
    start = step.start_bytes
    if start >= size:
        raise StepFault(
            "start_bytes",
            f"{start:#x} lies behind the end: there are {size:,} bytes, 0x0 to {size - 1:#x}",
            f"A start from 0x0 to {size - 1:#x} is accepted.",
        )
    end = size if step.length_bytes is None else start + step.length_bytes
    if end > size:
        raise StepFault(
            "length_bytes",
            f"{start:#x} to {end - 1:#x} passes the end: there are {size:,} bytes, 0x0 to {size - 1:#x}",
            f"From {start:#x} at most {size - start:,} bytes ({size - start:#x}) can be taken.",
        )
    return lambda array, blank: array[start:end]


@mover.register
def _(step: Split, size: int, data: Bytes | None) -> Mover:
    _whole(size, step.ways * step.unit_bytes, f"be split in {step.ways} ways")
    ways, lane, unit = step.ways, step.lane, step.unit_bytes
    return lambda array, blank: array.reshape(-1, ways, unit)[:, lane, :].reshape(-1)


@mover.register
def _(step: SwapBytes, size: int, data: Bytes | None) -> Mover:
    _whole(size, step.word_bytes, f"be words of {step.word_bytes} bytes")
    units, unit = step.word_bytes // step.unit_bytes, step.unit_bytes
    return lambda array, blank: array.reshape(-1, units, unit)[:, ::-1, :].reshape(-1)


@mover.register
def _(step: ReorderAddressLines, size: int, data: Bytes | None) -> Mover:
    lines, word = step.lines, step.word_bytes
    _whole(size, word << lines, f"have {lines} address lines")
    order = step.resolved(lines)
    return lambda array, blank: reorder_addresses(array, order, word)


def reorder_addresses(array: Array, order: tuple[int, ...], word: int) -> Array:
    """Return the array as a chip has it whose address line i is the board's `order[i]`."""
    kept = next((line for line, board in enumerate(order) if line != board), len(order))
    blocks = array.reshape(-1, 1 << len(order), word)
    if len(order) > _SMALL_LINES and word << kept < _LONG_RUN:
        return np.concatenate([_gathered(block, order) for block in blocks]).reshape(-1)
    shape, axes = _address_axes(order)
    whole = array.reshape(-1, *shape, word)
    return whole.transpose(0, *(axis + 1 for axis in axes), len(shape) + 1).reshape(-1)


def _gathered(block: Array, order: tuple[int, ...]) -> Array:
    """Reorder where hardly any neighbours stay neighbours: a row of the result at a time.

    Rows are made in the order of where they come from, so that what one row fetched into the cache serves the
    next ones too; that is some four times as fast as a transposition for the reversal of all lines.
    """
    low = len(order) // 2
    columns, rows = _sources(order[:low]), _sources(order[low:])
    result = np.empty_like(block)
    by_row = result.reshape(len(rows), len(columns), -1)
    for row in np.argsort(rows).tolist():
        by_row[row] = block[columns + rows[row]]
    return result


def _sources(order: tuple[int, ...]) -> NDArray[np.intp]:
    """Return, for each setting of some chip lines, the board address that these lines contribute."""
    places = np.zeros(1, dtype=np.intp)
    for board in order:
        places = np.concatenate([places, places + (1 << board)])
    return places


def _address_axes(order: tuple[int, ...]) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Return the shape that takes content apart by address lines, and how to transpose it.

    Lines that stay next to each other stay one axis, which keeps the copies long. Axis 0 is the highest line.
    """
    runs: list[list[int]] = []  # of chip lines, ascending; each run's board lines are consecutive too
    for chip, board in enumerate(order):
        if runs and order[runs[-1][-1]] + 1 == board:
            runs[-1].append(chip)
        else:
            runs.append([chip])
    by_board = sorted(range(len(runs)), key=lambda run: -order[runs[run][0]])
    shape = tuple(1 << len(runs[run]) for run in by_board)
    axes = tuple(by_board.index(run) for run in reversed(range(len(runs))))
    return shape, axes


@mover.register
def _(step: Fill, size: int, data: Bytes | None) -> Mover:
    total = step.to_bytes or size
    if total < size:
        raise StepFault(
            "to_bytes",
            f"the content has {size:,} bytes already, more than {total:,}",
            f"{size:,} or more is accepted; to make content shorter, use slice.",
        )

    def move(array: Array, blank: int) -> Array:
        return np.concatenate([array, np.full(total - size, blank, dtype=array.dtype)])

    return move


@mover.register
def _(step: Place, size: int, data: Bytes | None) -> Mover:
    start, total = step.offset_bytes, step.size_bytes
    if start + size > total:
        room = f"At most {total - size:#x} is accepted as offset." if size <= total else ""
        raise StepFault(
            "offset_bytes",
            f"{size:,} bytes at {start:#x} pass the end of {total:,} bytes",
            room or f"size_bytes must be {size:,} or more.",
        )

    def move(array: Array, blank: int) -> Array:
        result = np.full(total, blank, dtype=array.dtype)
        result[start : start + size] = array
        return result

    return move


@mover.register
def _(step: Repeat, size: int, data: Bytes | None) -> Mover:
    if step.times is not None:
        times = step.times
        if size * times > MAX_CONTENT_BYTES:
            raise StepFault(
                "times",
                f"{times} times {size:,} bytes is more than the {MAX_CONTENT_BYTES:,} that are taken",
                f"At most {max(MAX_CONTENT_BYTES // size, 2)} is accepted here.",
            )
    else:
        assert step.to_bytes is not None
        times, rest = divmod(step.to_bytes, size)
        if rest or not times:
            raise StepFault(
                "to_bytes",
                f"{step.to_bytes:,} is no multiple of the content's {size:,} bytes",
                f"{size * max(times, 1):,} or {size * (max(times, 1) + 1):,} is accepted;"
                " or fill the content to a length that divides it first.",
            )
    return lambda array, blank: np.tile(array, times)


def _whole(size: int, unit: int, doing: str) -> None:
    if size % unit:
        below = size - size % unit
        accepted = f"{below:,} or {below + unit:,}" if below else f"{unit:,}"
        kind = "an odd number" if unit == 2 else f"no multiple of {unit:,}"
        raise StepFault(
            "do",
            f"{size:,} bytes cannot {doing}: that is {kind}",
            f"{accepted} bytes would be accepted. Skip a header, take a slice, or fill first.",
        )
