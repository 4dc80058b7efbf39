"""The bench's images: contents in files by digest, what is known about them in the store."""

import threading
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from daemon.errors import BenchError, Code
from daemon.images.detect import load
from daemon.images.facts import content_facts
from daemon.images.model import Image, ImageFormat, Range
from daemon.images.save import dump
from daemon.store.blobs import Blobs
from daemon.store.model import ImageRecord
from daemon.store.store import Store

_PREFIX_MIN = 8
_LISTED_MAX = 10_000


@dataclass(frozen=True, slots=True)
class ImageView:
    """An image as front ends see it. `size_bytes` counts bytes with content, `ranges` where they lie."""

    sha256: str
    name: str
    format: str
    size_bytes: int
    created_at: datetime
    facts: Mapping[str, Any]
    reason: str = ""
    warnings: tuple[str, ...] = ()


class ImageShelf:
    """Takes images in, finds them, gives them out."""

    def __init__(self, store: Store, blobs: Blobs, max_bytes: int) -> None:
        self._store = store
        self._blobs = blobs
        self._max_bytes = max_bytes
        #: Record and file of an image come and go together.
        self._lock = threading.Lock()

    def add(self, data: bytes, *, name: str | None, format: ImageFormat | None) -> ImageView:
        """Take an image file in; the same content again changes nothing.

        Raises BenchError: what `daemon.images.load` raises, `image-too-large`, `disk-full`.
        """
        if len(data) > self._max_bytes:
            raise BenchError(
                Code.IMAGE_TOO_LARGE,
                f"the file has {len(data):,} bytes; at most {self._max_bytes:,} are taken",
                hint="No chip here is that large. The limit is the setting max_image_bytes.",
                field="image",
            )
        loaded = load(data, format=format, max_span_bytes=self._max_bytes)
        return self._put(loaded.image, name or "unnamed", loaded.reason, loaded.warnings)

    def keep_read(self, data: bytes, name: str) -> str:
        """Keep what a chip held, as an image like any other; return its digest."""
        return self._put(Image.raw(data), name, "read from a chip", ()).sha256

    def list(self) -> list[ImageView]:
        """Return all images, newest first."""
        return [_view(record) for record in self._store.images.list(limit=_LISTED_MAX)]

    def get(self, digest: str) -> ImageView:
        """Return one image by its digest or an unambiguous beginning of it (8 digits or more)."""
        return _view(self._record(digest))

    def load(self, digest: str) -> Image:
        """Return an image's content. Raises BenchError `blob-damaged` or `blob-missing`."""
        record = self._record(digest)
        return Image.decode(self._blobs.get(record.sha256), ImageFormat(record.format))

    def content(self, digest: str, format: ImageFormat) -> bytes:
        """Return an image as a file of the given format."""
        return dump(self.load(digest), format)

    def delete(self, digest: str) -> None:
        """Forget an image. Raises BenchError `image-in-use` while a job that has not ended needs it."""
        record = self._record(digest)
        with self._lock:
            self._store.images.delete(record.sha256)
            self._blobs.delete(record.sha256)

    def _put(self, image: Image, name: str, reason: str, warnings: tuple[str, ...]) -> ImageView:
        content, facts = image.encode(), _facts(image)
        with self._lock:
            digest = self._blobs.put(content)
            record, _ = self._store.images.add(
                digest,
                size_bytes=image.used_bytes,
                name=name,
                image_format=image.format.value,
                facts=facts,
            )
        return replace(_view(record), reason=reason, warnings=warnings)

    def _record(self, digest: str) -> ImageRecord:
        if len(digest) == 64:
            return self._store.images.get(digest)
        if len(digest) < _PREFIX_MIN:
            raise BenchError(
                Code.NOT_FOUND,
                f"'{digest}' is too short to name an image",
                hint=f"Give at least {_PREFIX_MIN} digits of its SHA-256.",
                field="image",
            )
        found = [
            record
            for record in self._store.images.list(limit=_LISTED_MAX)
            if record.sha256.startswith(digest)
        ]
        if len(found) == 1:
            return found[0]
        what = "no image begins" if not found else f"{len(found)} images begin"
        raise BenchError(
            Code.NOT_FOUND,
            f"{what} with {digest}",
            hint="List the images, and give more digits of the SHA-256.",
            field="image",
        )


def _facts(image: Image) -> dict[str, Any]:
    """Return the figures of an image from its lowest to its highest address, gaps taken as blank."""
    data = image.flatten(image.span_bytes, offset_bytes=-image.lowest)
    facts = content_facts(data)
    return {
        "lowest_address": image.lowest,
        "span_bytes": image.span_bytes,
        "ranges": [_range(segment.range) for segment in image.segments[:64]],
        "segments": len(image.segments),
        "crc32": f"{facts.crc32:08X}",
        "sha1": facts.sha1,
        "byte_sum_16": f"{facts.byte_sum_16:04X}",
        "word_sum_le_16": f"{facts.word_sum_le_16:04X}",
        "blank_share": round(facts.blank_share, 6),
        "used_ranges": [_range(each) for each in facts.used_ranges],
        "upper_half_repeats_lower": facts.upper_half_repeats_lower,
    }


def _range(each: Range) -> dict[str, int]:
    return {"start_bytes": each.start_bytes, "end_bytes": each.end_bytes}


def _view(record: ImageRecord) -> ImageView:
    return ImageView(
        record.sha256, record.name, record.format, record.size_bytes, record.created_at, record.facts
    )
