"""Work on stored images: recipes, restoring, line orders, hex with text, test contents, repeats."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.catalogue.loader import Catalogue
from daemon.errors import BenchError, Code
from daemon.image_shelf import ImageShelf, ImageView
from daemon.images.hexdump import hex_dump
from daemon.images.model import Image, ImageFormat, Range
from daemon.images.patterns import Pattern, pattern_content
from daemon.images.recipe import restore, transform
from daemon.images.repeats import repeat_words, repeats_of
from daemon.images.steps import AnyStep

if TYPE_CHECKING:
    from daemon.images.address_map import AddressMap
    from daemon.images.line_order import LineFinding
    from daemon.images.transform import Trace

MAX_HEX_BYTES = 64 << 10
"""Most bytes shown as hexadecimal at once."""


@dataclass(frozen=True, slots=True)
class MadeImage:
    """An image that a recipe made: each step as it went, where its bytes come from, what nothing fills."""

    image: ImageView
    steps: "tuple[Trace, ...]"
    map: "AddressMap"
    gaps: tuple[Range, ...]


@dataclass(frozen=True, slots=True)
class RestoredImage:
    """A file that was put together again from what a recipe made of it."""

    image: ImageView
    missing: tuple[Range, ...]


class ContentDesk:
    """Thread-safe; results that are content join the images."""

    def __init__(self, images: ImageShelf, catalogue: Catalogue) -> None:
        self._images = images
        self._catalogue = catalogue

    def transform(
        self,
        digest: str,
        steps: Sequence[AnyStep],
        *,
        base_address: int = 0,
        copy: int = 0,
        name: str | None = None,
    ) -> MadeImage:
        """Run a recipe over an image and keep what comes out.

        Raises BenchError `recipe-step`, `not-found`.
        """
        view = self._images.get(digest)
        made = transform(
            self._images.load(digest), steps, base_address=base_address, copy=copy, name=view.name
        )
        assert made.map is not None
        image = self._keep(made.data, name or f"made from {view.name}")
        return MadeImage(image, made.steps, made.map, made.gaps)

    def restore(
        self, digest: str, steps: Sequence[AnyStep], size_bytes: int, *, name: str | None = None
    ) -> RestoredImage:
        """Undo a recipe and keep the file.

        Raises BenchError `recipe-step`, `board-reassembly`, `not-found`.
        """
        view = self._images.get(digest)
        restored = restore(self._plain(digest), steps, size_bytes)
        return RestoredImage(
            self._keep(restored.data, name or f"restored from {view.name}"), restored.missing
        )

    def line_order(self, known: str, chip: str, word_bytes: int) -> "LineFinding":
        """Find how a board connects its lines. Raises BenchError `image-placement`, `not-found`."""
        from daemon.images.line_order import find_line_order

        return find_line_order(self._plain(known), self._plain(chip), word_bytes)

    def hex_lines(self, digest: str, start_bytes: int | None, length_bytes: int) -> list[str]:
        """Return lines of hexadecimal with text, by the image's own addresses; None: from its lowest.

        Raises BenchError `image-placement` for a start outside the image.
        """
        image = self._images.load(digest)
        data = dumped(image)
        start_bytes = image.lowest if start_bytes is None else start_bytes
        if not image.lowest <= start_bytes < image.end:
            raise BenchError(
                Code.IMAGE_PLACEMENT,
                f"{start_bytes:#x} lies outside the image: {image.lowest:#x} to {image.end - 1:#x}",
                hint=f"A start from {image.lowest:#x} to {image.end - 1:#x} is accepted.",
                field="start_bytes",
            )
        offset = start_bytes - image.lowest
        length = min(length_bytes, MAX_HEX_BYTES)
        return list(hex_dump(data, first_address=image.lowest, start_bytes=offset, length_bytes=length))

    def repeats(self, digest: str) -> str:
        """Say which part an image would fit that says the same thing twice; empty when it does not."""
        return repeat_words(repeats_of(self._plain(digest)), self._catalogue)

    def make_test_content(self, pattern: Pattern, size_bytes: int, word_bytes: int) -> ImageView:
        """Make test content for a board and keep it. Raises BenchError `image-placement`."""
        data = pattern_content(pattern, size_bytes, word_bytes)
        return self._keep(data, f"{pattern} test, {size_bytes:,} bytes")

    def _keep(self, data: bytes, name: str) -> ImageView:
        return self._images.add(data, name=name[:200], format=ImageFormat.RAW)

    def _plain(self, digest: str) -> bytes:
        return dumped(self._images.load(digest))


def dumped(image: Image) -> bytes:
    """Return an image from its lowest address to its end, gaps as 0xFF."""
    return image.flatten(image.span_bytes, offset_bytes=-image.lowest)
