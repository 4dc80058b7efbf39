"""Running a recipe over content, and back: from a read chip to the file, as far as that goes."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from daemon.errors import BenchError, Code
from daemon.images.content import Bytes, Content, Origin, Origins, StepFault
from daemon.images.fixes import checked, numbered, patched, patched_each, restored_lines, rewired
from daemon.images.moves import header_bytes, mover
from daemon.images.moving_steps import Fill, Join, Place, ReorderDataLines, SkipHeader
from daemon.images.recipe_errors import dotted
from daemon.images.steps import AnyStep, MovingStep
from daemon.images.value_steps import CHECKSUM_BYTES, Checksum, Patch, PatchEach, Serial
from daemon.images.values import MAX_CONTENT_BYTES


@dataclass(frozen=True, slots=True)
class Where:
    """Where in a recipe steps stand, for messages: `path` as keys and indexes, `words` such as "position U4".

    `line_of` gives the line of a path in the recipe's text, None where there is no text.
    """

    path: tuple[str | int, ...] = ()
    words: str = ""
    line_of: Callable[[tuple[str | int, ...]], int | None] = lambda path: None

    def fault(self, path: tuple[str | int, ...], what: str, fault: StepFault) -> BenchError:
        """Make the error for a step, `path` counted from here."""
        error = BenchError(Code.RECIPE_STEP, fault.message, hint=fault.hint)
        return self.located((*path, fault.field), error, what)

    def located(self, path: tuple[str | int, ...], error: BenchError, what: str = "") -> BenchError:
        """Return an error with its place in the recipe, `path` counted from here."""
        whole = (*self.path, *path)
        line = self.line_of(whole)
        front = ", ".join(filter(None, (f"line {line}" if line else "", self.words, what)))
        return BenchError(
            error.code,
            f"{front}: {error.message}" if front else error.message,
            hint=error.hint,
            field=dotted(whole),
            details={**error.details, **({} if line is None else {"line": line})},
        )


def _no_others(name: str) -> Content:
    raise StepFault("sources", f'there is no source "{name}" here', "Join works in the recipe of a board.")


@dataclass(slots=True)
class Surroundings:
    """What steps may need besides the content: other sources, and which copy this is (from 0).

    `skipped` gathers the numbers of file bytes that the recipe itself leaves out or writes over.
    """

    others: Callable[[str], Content] = _no_others
    copy: int = 0
    skipped: list[Origins] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Trace:
    """One step as it went: in words, and the content's size before and after."""

    words: str
    size_before: int
    size_after: int


def run(
    steps: Sequence[AnyStep], content: Content, around: Surroundings | None = None, where: Where | None = None
) -> tuple[Content, tuple[Trace, ...]]:
    """Apply steps in order. Raises BenchError `recipe-step` naming the step and what it would accept."""
    around, where = around or Surroundings(), where or Where()
    traces = []
    for index, step in enumerate(steps):
        before = len(content)
        try:
            content = applied(step, content, around)
            if len(content) > MAX_CONTENT_BYTES:
                raise StepFault(
                    "do",
                    f"the result would have {len(content):,} bytes",
                    f"At most {MAX_CONTENT_BYTES:,} are accepted.",
                )
        except StepFault as fault:
            raise where.fault((index,), f"step {index + 1} ({step.do})", fault) from None
        traces.append(Trace(step.words, before, len(content)))
    return content, tuple(traces)


def applied(step: AnyStep, content: Content, around: Surroundings) -> Content:
    """Apply one step; raises StepFault."""
    match step:
        case Patch() | PatchEach() | Checksum() | Serial():
            return _written(step, content, around)
        case ReorderDataLines():
            return rewired(step, content)
        case Join():
            return _joined([content, *(around.others(name) for name in step.sources)])
        case _:
            return _moved(step, content, around)


def _written(step: Patch | PatchEach | Checksum | Serial, content: Content, around: Surroundings) -> Content:
    match step:
        case Patch():
            result, length = patched(step, content), len(step.write)
        case Checksum():
            result, length = checked(step, content), CHECKSUM_BYTES[step.kind]
        case PatchEach():
            result, length = patched_each(step, content, around.copy), step.length_bytes
        case Serial():
            result, length = numbered(step, content, around.copy), step.length_bytes
    if content.origin is not None:
        around.skipped.append(content.origin[step.offset_bytes : step.offset_bytes + length])
    return result


def _joined(pieces: Sequence[Content]) -> Content:
    origins = [each.origin for each in pieces if each.origin is not None]
    origin = np.concatenate(origins) if len(origins) == len(pieces) else None
    return Content(np.concatenate([each.data for each in pieces]), origin)


def _moved(step: MovingStep, content: Content, around: Surroundings) -> Content:
    origin = content.origin
    if isinstance(step, SkipHeader) and origin is not None:
        around.skipped.append(origin[: header_bytes(step, len(content), content.data)])
    move = mover(step, len(content), content.data)
    blank = step.value if isinstance(step, Fill) else step.fill if isinstance(step, Place) else 0xFF
    data = move(content.data, blank)
    if origin is None:
        return Content(data, None)
    origin = move(origin, Origin.FILLED)
    if isinstance(step, Fill) and (holes := origin == Origin.GAP).any():
        data = np.where(holes, np.uint8(step.value), data)
        origin = np.where(holes, np.int32(Origin.FILLED), origin)
    return Content(data, origin)


# Back again


@dataclass(frozen=True, slots=True, eq=False)
class Partial:
    """Content of which only some bytes are known."""

    data: Bytes
    known: NDArray[np.bool_]

    @classmethod
    def nothing(cls, size: int) -> "Partial":
        """Return `size` bytes of which nothing is known."""
        return cls(np.full(size, 0xFF, dtype=np.uint8), np.zeros(size, dtype=np.bool_))

    @classmethod
    def all_of(cls, data: bytes) -> "Partial":
        """Return content that is wholly known."""
        values = np.frombuffer(data, dtype=np.uint8)
        return cls(values, np.ones(len(values), dtype=np.bool_))

    def __len__(self) -> int:
        return len(self.data)

    def overlaid(self, other: "Partial") -> "Partial":
        """Return this with all that the other knows written over it; sizes are equal."""
        return Partial(np.where(other.known, other.data, self.data), self.known | other.known)

    def merged(self, other: "Partial") -> "Partial":
        """Return what both know together. Raises ContradictionError where they disagree; sizes are equal."""
        clash = self.known & other.known & (self.data != other.data)
        if clash.any():
            at = int(np.flatnonzero(clash)[0])
            raise ContradictionError(
                at, int(self.data[at]), int(other.data[at]), int(np.count_nonzero(clash))
            )
        return self.overlaid(other)


class ContradictionError(Exception):
    """Two places that hold one file byte disagree: `one` and `other` at `offset`, `count` times in all."""

    def __init__(self, offset: int, one: int, other: int, count: int) -> None:
        super().__init__(offset)
        self.offset = offset
        self.one = one
        self.other = other
        self.count = count


def sizes_through(
    steps: Sequence[AnyStep], size: int, size_of: Callable[[str], int], where: Where
) -> list[int]:
    """Return the content's size before each step and at the end, from sizes alone.

    Raises BenchError `recipe-step` for steps that do not suit such a size.
    """
    sizes = [size]
    for index, step in enumerate(steps):
        try:
            match step:
                case Join():
                    size += sum(size_of(name) for name in step.sources)
                case Patch() | PatchEach() | Checksum() | Serial() | ReorderDataLines():
                    pass
                case _:
                    size = len(mover(step, size, None)(_size_only(size), 0))
        except StepFault as fault:
            raise where.fault((index,), f"step {index + 1} ({step.do})", fault) from None
        sizes.append(size)
    return sizes


def _size_only(size: int) -> NDArray[np.uint8]:
    return np.zeros(size, dtype=np.uint8)


def undo(
    steps: Sequence[AnyStep],
    sizes: Sequence[int],
    after: Partial,
    give_back: Callable[[str, Partial], None],
    size_of: Callable[[str], int],
) -> Partial:
    """Undo steps, last first: what the result tells of the content before them.

    `sizes` are those of `sizes_through`. What joined sources get back goes to `give_back`. Raises
    ContradictionError where copies of a byte differ, ValueError where `after` has not the recipe's size.
    """
    if len(after) != sizes[-1]:
        raise ValueError(f"{len(after)} bytes; the recipe makes {sizes[-1]}")
    for step, size in zip(reversed(steps), reversed(sizes[:-1]), strict=True):
        after = _undone(step, size, after, give_back, size_of)
    return after


def _undone(
    step: AnyStep,
    size: int,
    after: Partial,
    give_back: Callable[[str, Partial], None],
    size_of: Callable[[str], int],
) -> Partial:
    match step:
        case Join():
            start = size
            for name in step.sources:
                end = start + size_of(name)
                give_back(name, Partial(after.data[start:end], after.known[start:end]))
                start = end
            return Partial(after.data[:size], after.known[:size])
        case ReorderDataLines():
            known = after.known.reshape(-1, step.word_bytes).all(axis=1)
            return Partial(restored_lines(step, after.data), np.repeat(known, step.word_bytes))
        case Patch():
            return _unwritten(after, step.offset_bytes, len(step.write), step.was)
        case Checksum():
            return _unwritten(after, step.offset_bytes, CHECKSUM_BYTES[step.kind], None)
        case Serial() | PatchEach():
            return _unwritten(after, step.offset_bytes, step.length_bytes, None)
        case _:
            return _moved_back(step, size, after)


def _unwritten(after: Partial, offset: int, length: int, was: bytes | None) -> Partial:
    data, known = after.data.copy(), after.known.copy()
    known[offset : offset + length] = was is not None
    if was is not None:
        data[offset : offset + length] = np.frombuffer(was, dtype=np.uint8)
    return replace(after, data=data, known=known)


def _moved_back(step: MovingStep, size: int, after: Partial) -> Partial:
    """Put every byte back where the step took it from."""
    places = mover(step, size, None)(np.arange(size, dtype=np.int32), Origin.FILLED)
    told = (places >= 0) & after.known
    before = Partial.nothing(size)
    before.data[places[told]] = after.data[told]
    before.known[places[told]] = True
    differs = told & (before.data[places] != after.data)
    if differs.any():
        at = int(np.flatnonzero(differs)[0])
        place = int(places[at])
        one, other = int(before.data[place]), int(after.data[at])
        raise ContradictionError(place, one, other, int(np.count_nonzero(differs)))
    if isinstance(step, SkipHeader) and step.magic and step.length_bytes and places[0] == step.length_bytes:
        before.data[: len(step.magic)] = np.frombuffer(step.magic, dtype=np.uint8)
        before.known[: len(step.magic)] = True
    return before
