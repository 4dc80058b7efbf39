"""Recipes on stored images, and what else is asked about content."""

from typing import TYPE_CHECKING, Annotated

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    ValidatorFunctionWrapHandler,
    WrapValidator,
)

from api.schemas.common import Shown
from api.schemas.images import ImageDetails, ImageRange
from daemon.images.desk import MadeImage, RestoredImage
from daemon.images.model import Range
from daemon.images.patterns import Pattern
from daemon.images.recipe_errors import invalid, problems_of
from daemon.images.steps import AnyStep, Steps
from daemon.images.values import Address, Size

if TYPE_CHECKING:  # numpy comes with these, and a daemon starts sooner without
    from daemon.images.address_map import AddressMap, MapRow
    from daemon.images.line_order import LineFinding, LineOrder
    from daemon.images.transform import Trace

_NAME = r"^[^\x00-\x1f\x7f]*$"


def _in_our_words(value: object, check: ValidatorFunctionWrapHandler) -> tuple[AnyStep, ...]:
    """Refuse steps with the messages of recipes, which name the nearest step and key."""
    try:
        steps: tuple[AnyStep, ...] = check(value)
    except ValidationError as error:
        raise invalid(problems_of(error, {}, prefix=("steps",)), "the recipe") from None
    return steps


CheckedSteps = Annotated[Steps, WrapValidator(_in_our_words)]


class _Asked(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class RecipeRequest(_Asked):
    """Steps to run over an image."""

    steps: CheckedSteps = Field(description="Steps in order, each told apart by `do`.")
    base_address: Address = Field(default=0, description="The address that is the content's first byte.")
    copy_number: Annotated[int, Field(ge=1, le=1_000_000)] = Field(
        default=1, description="Which copy this is, for serial numbers."
    )
    name: str | None = Field(
        default=None, max_length=200, pattern=_NAME, description="What to call the result."
    )


class RestoreRequest(_Asked):
    """Steps to undo."""

    steps: CheckedSteps = Field(
        description="The steps that made the content, in the order in which they ran."
    )
    size_bytes: Size = Field(description="Size of the file that they began with.")
    name: str | None = Field(
        default=None, max_length=200, pattern=_NAME, description="What to call the result."
    )


class StepTold(Shown):
    """One step as it went."""

    words: str = Field(description="What it does, as a sentence.")
    size_before: int = Field(description="Bytes before it.")
    size_after: int = Field(description="Bytes after it.")

    @classmethod
    def of(cls, trace: "Trace") -> "StepTold":
        """Show a step."""
        return cls(words=trace.words, size_before=trace.size_before, size_after=trace.size_after)


class MapRowView(Shown):
    """One stretch of content and where it comes from."""

    words: str = Field(description="The row as people read it.")
    start_bytes: int = Field(description="First byte of the stretch.")
    end_bytes: int = Field(description="Just past its last byte.")
    source: str | None = Field(description="The file it is from; null for what is from none.")
    origin: str = Field(description="`file`, `fill`, `made by a step` or `missing`.")
    source_start_bytes: int = Field(description="Where its first group begins in the file.")
    stride_bytes: int = Field(description="How far on in the file each following group begins.")
    pattern: list[int] = Field(description="Where in the file's group each byte of a group is from.")

    @classmethod
    def of(cls, row: "MapRow") -> "MapRowView":
        """Show a row."""
        return cls(
            words=row.words,
            start_bytes=row.start_bytes,
            end_bytes=row.end_bytes,
            source=row.source,
            origin=row.origin,
            source_start_bytes=row.source_start_bytes,
            stride_bytes=row.stride_bytes,
            pattern=list(row.pattern),
        )


class AddressMapView(Shown):
    """Where the bytes of some content come from."""

    rows: list[MapRowView] = Field(description="Stretches by address, 64 at most.")
    complete: bool = Field(description="False when there are more.")

    @classmethod
    def of(cls, found: "AddressMap") -> "AddressMapView":
        """Show a map."""
        return cls(rows=[MapRowView.of(row) for row in found.rows], complete=found.complete)


def ranges_shown(ranges: tuple[Range, ...]) -> list[ImageRange]:
    """Show stretches, the first 64 of them."""
    return [ImageRange(start_bytes=each.start_bytes, end_bytes=each.end_bytes) for each in ranges[:64]]


class MadeImageView(Shown):
    """What a recipe made of an image."""

    image: ImageDetails = Field(description="The result, which is now an image itself.")
    steps: list[StepTold] = Field(description="The steps as they went.")
    map: AddressMapView = Field(description="Where its bytes come from.")
    gaps: list[ImageRange] = Field(description="What nothing fills; it holds 0xFF.")

    @classmethod
    def of(cls, made: MadeImage) -> "MadeImageView":
        """Show a result."""
        return cls(
            image=ImageDetails.of(made.image),
            steps=[StepTold.of(trace) for trace in made.steps],
            map=AddressMapView.of(made.map),
            gaps=ranges_shown(made.gaps),
        )


class RestoredImageView(Shown):
    """A file put together again."""

    image: ImageDetails = Field(description="The file, which is now an image itself.")
    missing: list[ImageRange] = Field(description="What nothing tells; it holds 0xFF.")

    @classmethod
    def of(cls, restored: RestoredImage) -> "RestoredImageView":
        """Show a file."""
        return cls(image=ImageDetails.of(restored.image), missing=ranges_shown(restored.missing))


class HexView(Shown):
    """Content as people read it."""

    lines: list[str] = Field(description="Address, 16 bytes in hexadecimal, and what they are as text.")


class RepeatsView(Shown):
    """Whether content says the same thing twice."""

    words: str = Field(description="What repeats and which parts it would fit; empty when nothing does.")


class LineOrderRequest(_Asked):
    """A known file and what a working chip was read to hold."""

    known: Annotated[str, Field(pattern=r"^[0-9a-f]{8,64}$")] = Field(description="Image of the file.")
    chip: Annotated[str, Field(pattern=r"^[0-9a-f]{8,64}$")] = Field(description="Image read from the chip.")
    word_bytes: Annotated[int, Field(ge=1, le=2)] = Field(default=1, description="Bytes in the chip's word.")


class LineOrderView(Shown):
    """One way in which lines may be connected."""

    address: list[int] = Field(description="Entry i is the board's address line on the chip's A i.")
    data: list[int] = Field(description="Entry i is the board's data line on the chip's D i.")

    @classmethod
    def of(cls, order: "LineOrder") -> "LineOrderView":
        """Show an order."""
        return cls(address=list(order.address), data=list(order.data))


class LineFindingView(Shown):
    """How a board connects its lines, as far as content tells."""

    words: str = Field(description="The finding as sentences.")
    orders: list[LineOrderView] = Field(description="One that fits, and others that show what is unsure.")
    count: str = Field(description="How many fit, in decimal digits: it may be a very large number.")
    ambiguous: bool = Field(description="Whether more than one fits, or might.")
    searched_all: bool = Field(description="False when the search was given up.")
    unsure_address_lines: list[int] = Field(description="Chip address lines that the content leaves open.")
    unsure_data_lines: list[int] = Field(description="Chip data lines that the content leaves open.")

    @classmethod
    def of(cls, found: "LineFinding") -> "LineFindingView":
        """Show a finding."""
        return cls(
            words=found.words,
            orders=[LineOrderView.of(order) for order in found.orders],
            count=str(found.count),
            ambiguous=found.ambiguous,
            searched_all=found.searched_all,
            unsure_address_lines=list(found.unsure_address_lines),
            unsure_data_lines=list(found.unsure_data_lines),
        )


class TestContentRequest(_Asked):
    """Content for testing a board."""

    __test__ = False  # its name looks like a test's

    pattern: Pattern = Field(description="What each word holds.")
    size_bytes: Size = Field(description="Bytes in all.")
    word_bytes: Annotated[int, Field(ge=1, le=2)] = Field(default=1, description="Bytes in a word.")
