"""Images."""

from datetime import datetime
from typing import Any

from pydantic import Field

from api.schemas.common import Shown
from daemon.image_shelf import ImageView


class ImageRange(Shown):
    """A stretch of addresses."""

    start_bytes: int = Field(description="First byte address.")
    end_bytes: int = Field(description="The byte address just past the last.")


class ImageFacts(Shown):
    """Figures by which people compare content, from the lowest address to the highest, gaps as 0xFF."""

    lowest_address: int | None = Field(None, description="Lowest byte address with content.")
    span_bytes: int | None = Field(None, description="From the lowest address to the end, gaps included.")
    segments: int | None = Field(None, description="How many stretches there are.")
    ranges: list[ImageRange] = Field([], description="The stretches, the first 64 of them.")
    used_ranges: list[ImageRange] = Field([], description="What is not blank, short gaps ignored.")
    crc32: str | None = Field(None, description="CRC-32, as in zlib, hexadecimal.")
    sha1: str | None = Field(None, description="SHA-1, hexadecimal.")
    byte_sum_16: str | None = Field(None, description="Sum of all bytes, low 16 bits, hexadecimal.")
    word_sum_le_16: str | None = Field(
        None, description="Sum of all 16-bit words, low byte first, low 16 bits, hexadecimal."
    )
    blank_share: float | None = Field(None, description="Share of bytes that are 0xFF, 0 to 1.")
    upper_half_repeats_lower: bool | None = Field(
        None, description="Whether the upper half is a copy of the lower."
    )


class ImageDetails(Shown):
    """Content to be programmed, addressed bytes, identified by SHA-256."""

    sha256: str = Field(description="Its identity: 64 hexadecimal digits.")
    name: str = Field(description="What its user called it; only a label.")
    format: str = Field(description="The format it came in.")
    size_bytes: int = Field(description="Bytes with content; gaps do not count.")
    created_at: datetime = Field(description="When it was first taken in, UTC.")
    facts: ImageFacts = Field(description="Figures to compare it by.")
    reason: str = Field("", description="How the format was found; only after an upload.")
    warnings: list[str] = Field([], description="What to look at before using it; only after an upload.")

    @classmethod
    def of(cls, view: ImageView) -> "ImageDetails":
        """Show an image."""
        facts: dict[str, Any] = dict(view.facts)
        return cls(
            sha256=view.sha256,
            name=view.name,
            format=view.format,
            size_bytes=view.size_bytes,
            created_at=view.created_at,
            facts=ImageFacts.model_validate(facts),
            reason=view.reason,
            warnings=list(view.warnings),
        )


class ImageList(Shown):
    """The images that the bench keeps."""

    images: list[ImageDetails] = Field(description="The images, newest first.")
