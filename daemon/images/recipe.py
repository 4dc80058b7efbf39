"""A recipe for one image: a list of steps from outside, run on an image, told in words, and undone."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pydantic import TypeAdapter, ValidationError

from daemon.errors import BenchError, Code
from daemon.images.model import Image, Range
from daemon.images.recipe_errors import invalid, problems_of
from daemon.images.steps import AnyStep, Steps

if TYPE_CHECKING:
    from daemon.images.address_map import AddressMap
    from daemon.images.transform import Partial, Trace

_STEPS: TypeAdapter[tuple[AnyStep, ...]] = TypeAdapter(Steps)


@dataclass(frozen=True, slots=True)
class Transformed:
    """What a recipe made of an image: the bytes, each step as it went, and where the bytes came from.

    `gaps` are stretches that nothing fills; they hold 0xFF.
    """

    data: bytes = field(repr=False)
    steps: "tuple[Trace, ...]"
    map: "AddressMap | None"
    gaps: tuple[Range, ...]


@dataclass(frozen=True, slots=True)
class Restored:
    """A file put together again. `missing` are the stretches that nothing tells; they hold 0xFF."""

    data: bytes = field(repr=False)
    missing: tuple[Range, ...]


def parse_steps(raw: object) -> tuple[AnyStep, ...]:
    """Read a list of steps as TOML or JSON give it. Raises BenchError `recipe-invalid`."""
    try:
        return _STEPS.validate_python(raw)
    except ValidationError as error:
        raise invalid(problems_of(error, {}, prefix=("steps",)), "the recipe") from None


def transform(
    image: Image,
    steps: Sequence[AnyStep],
    *,
    base_address: int = 0,
    copy: int = 0,
    name: str = "image",
    with_map: bool = True,
) -> Transformed:
    """Run steps over an image laid out from `base_address`; `copy` counts copies for serial numbers, from 0.

    Raises BenchError `recipe-step`, naming the step and what it would accept.
    """
    from daemon.images.address_map import address_map
    from daemon.images.content import StepFault, content_of
    from daemon.images.transform import Surroundings, Where, run

    try:
        content = content_of(image, base_address, followed=with_map)
    except StepFault as fault:
        raise BenchError(Code.RECIPE_STEP, fault.message, hint=fault.hint, field=fault.field) from None
    names = {name: Range(0, len(content))}
    content, traces = run(steps, content, Surroundings(copy=copy), Where(("steps",)))
    rows = None
    if content.origin is not None and with_map:
        rows = address_map(content.origin, names)
    return Transformed(content.data.tobytes(), traces, rows, content.gaps)


def restore(data: bytes, steps: Sequence[AnyStep], size_bytes: int) -> Restored:
    """Undo steps: turn what a recipe made back into the file of `size_bytes`, as far as it can be told.

    Raises BenchError: `recipe-step` for a step that cannot be undone or does not suit the sizes,
    `board-reassembly` where copies of a byte contradict each other.
    """
    from daemon.images.content import ranges_of
    from daemon.images.transform import ContradictionError, Partial, Where, sizes_through, undo

    sizes = sizes_through(steps, size_bytes, _no_size, Where(("steps",)))
    if len(data) != sizes[-1]:
        raise BenchError(
            Code.BOARD_REASSEMBLY,
            f"the content has {len(data):,} bytes; from a file of {size_bytes:,} the recipe makes"
            f" {sizes[-1]:,}",
            hint="Give the size of the original file, and the content of the whole chip.",
        )
    try:
        before = undo(steps, sizes, Partial.all_of(data), _no_others, _no_size)
    except ContradictionError as clash:
        raise BenchError(
            Code.BOARD_REASSEMBLY,
            f"copies of the byte at {clash.offset:#x} differ: {clash.one:02X} and {clash.other:02X}"
            f" ({clash.count:,} bytes in all)",
            hint="Read the chip again, at nominal supply; then check that it was made by this recipe.",
        ) from None
    return Restored(before.data.tobytes(), ranges_of(~before.known))


_NEEDS_BOARD = "Join works in the recipe of a board."


def _no_size(name: str) -> int:
    from daemon.images.content import StepFault

    raise StepFault("sources", f'there is no source "{name}" here', _NEEDS_BOARD)


def _no_others(name: str, partial: "Partial") -> None:
    """Take nothing back: sizes have refused joins before."""
