"""What can be done with stored images: recipes, line orders, hexadecimal with text, test contents."""

from typing import Annotated

from fastapi import APIRouter, Query, Response

from api.routes.images import PATH, ImageId
from api.schemas.contents import (
    HexView,
    LineFindingView,
    LineOrderRequest,
    MadeImageView,
    RecipeRequest,
    RepeatsView,
    RestoredImageView,
    RestoreRequest,
    TestContentRequest,
)
from api.schemas.images import ImageDetails
from api.wiring import BenchHere

router = APIRouter(tags=["images"])


@router.post(f"{PATH}/{{sha256}}/recipe")
def run_recipe(bench: BenchHere, sha256: ImageId, recipe: RecipeRequest) -> MadeImageView:
    """Run steps over an image: skip a header, slice, split, swap, reorder lines, patch and so on.

    The result joins the images, and the answer tells each step in words and where the bytes come from.
    """
    made = bench.contents.transform(
        sha256.lower(),
        recipe.steps,
        base_address=recipe.base_address,
        copy=recipe.copy_number - 1,
        name=recipe.name,
    )
    return MadeImageView.of(made)


@router.post(f"{PATH}/{{sha256}}/restore")
def restore_image(bench: BenchHere, sha256: ImageId, recipe: RestoreRequest) -> RestoredImageView:
    """Undo steps: turn what a chip holds back into the file, as far as it tells."""
    return RestoredImageView.of(
        bench.contents.restore(sha256.lower(), recipe.steps, recipe.size_bytes, name=recipe.name)
    )


@router.get(f"{PATH}/{{sha256}}/hex")
def show_hex(
    bench: BenchHere,
    sha256: ImageId,
    start_bytes: Annotated[int | None, Query(ge=0, lt=1 << 32, description="First address.")] = None,
    length_bytes: Annotated[int, Query(ge=1, le=65_536, description="How many bytes.")] = 512,
) -> HexView:
    """Show an image in hexadecimal, with the text that its bytes are."""
    lines = bench.contents.hex_lines(sha256.lower(), start_bytes, length_bytes)
    return HexView(lines=lines)


@router.get(f"{PATH}/{{sha256}}/repeats")
def show_repeats(bench: BenchHere, sha256: ImageId) -> RepeatsView:
    """Say whether an image repeats itself, and which part its first half or quarter would fit."""
    return RepeatsView(words=bench.contents.repeats(sha256.lower()))


@router.post("/v1/line-orders")
def find_lines(bench: BenchHere, asked: LineOrderRequest) -> LineFindingView:
    """Find how a board connects address and data lines, from a known file and a read of a working chip."""
    return LineFindingView.of(bench.contents.line_order(asked.known, asked.chip, asked.word_bytes))


@router.post("/v1/test-contents", status_code=201)
def make_test_content(bench: BenchHere, asked: TestContentRequest, response: Response) -> ImageDetails:
    """Make content that shows which line of a board is broken; it joins the images."""
    view = bench.contents.make_test_content(asked.pattern, asked.size_bytes, asked.word_bytes)
    response.headers["Location"] = f"{PATH}/{view.sha256}"
    return ImageDetails.of(view)
