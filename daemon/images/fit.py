"""From an image to the exact content of one part."""

from dataclasses import dataclass, field

from daemon.errors import BenchError, Code
from daemon.images.model import Image, Range

_HEADER_BYTES = (16, 32, 64, 128, 512)
"""Lengths of headers that programs put before memory content (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class FittedContent:
    """Every byte of a part (`data`), and which stretches of it come from the image.

    `ranges` are the stretches with content, ascending, widened to whole words; what lies between them is
    padding (`padded`) and need not be programmed when it equals the part's blank state. `notes` are sentences
    on what was done.
    """

    data: bytes = field(repr=False)
    ranges: tuple[Range, ...]
    notes: tuple[str, ...]

    @property
    def padded(self) -> tuple[Range, ...]:
        """The stretches that hold only fill."""
        edges = [
            0,
            *(edge for each in self.ranges for edge in (each.start_bytes, each.end_bytes)),
            len(self.data),
        ]
        pairs = zip(edges[::2], edges[1::2], strict=True)
        return tuple(Range(start, end) for start, end in pairs if end > start)

    def cut(self, start_bytes: int, length_bytes: int) -> "FittedContent":
        """Return the content of a stretch of the part, as the content of a part of its own."""
        end_bytes = start_bytes + length_bytes
        inside = (
            Range(
                max(each.start_bytes, start_bytes) - start_bytes, min(each.end_bytes, end_bytes) - start_bytes
            )
            for each in self.ranges
            if each.start_bytes < end_bytes and each.end_bytes > start_bytes
        )
        return FittedContent(self.data[start_bytes:end_bytes], tuple(inside), self.notes)


def fit(
    image: Image,
    part_size_bytes: int,
    word_bytes: int,
    *,
    offset_bytes: int = 0,
    fill: int = 0xFF,
    repeat: bool = False,
) -> FittedContent:
    """Make the exact content of a part of `part_size_bytes` with words of `word_bytes`.

    `offset_bytes` is added to each image address to give the address in the part; it is negative for an image
    whose addresses begin above zero. Unused bytes become `fill` (0 to 255). With `repeat`, content that takes
    a power-of-two fraction of the part from its first byte is written as often as it goes in.

    Raises BenchError `image-too-large` when the image cannot go in at any offset, `image-placement` when it
    would at another, or when it cannot be repeated. Raises ValueError for a part size that is not a whole
    number of words, or a fill that is not a byte.
    """
    if word_bytes < 1 or part_size_bytes < word_bytes or part_size_bytes % word_bytes:
        raise ValueError(f"{part_size_bytes} bytes in words of {word_bytes}")
    if not 0 <= fill <= 0xFF:
        raise ValueError(f"fill {fill} is not a byte")
    if image.span_bytes > part_size_bytes:
        raise _too_large(image, part_size_bytes)
    if image.lowest + offset_bytes < 0 or image.end + offset_bytes > part_size_bytes:
        raise _misplaced(image, part_size_bytes, offset_bytes)
    if repeat:
        return _repeated(image, part_size_bytes, word_bytes, offset_bytes, fill)
    return _placed(image, part_size_bytes, word_bytes, offset_bytes, fill)


def _placed(image: Image, size_bytes: int, word_bytes: int, offset_bytes: int, fill: int) -> FittedContent:
    ranges: list[Range] = []
    for segment in image.segments:
        start = segment.start_bytes + offset_bytes
        end = start + len(segment.data)
        whole = Range(start - start % word_bytes, end + -end % word_bytes)
        if ranges and whole.start_bytes <= ranges[-1].end_bytes:
            whole = Range(ranges.pop().start_bytes, whole.end_bytes)
        ranges.append(whole)
    padding_bytes = size_bytes - sum(each.length_bytes for each in ranges)
    notes = []
    if padding_bytes:
        notes.append(
            f"{padding_bytes:,} of {size_bytes:,} bytes have no content and are filled with {fill:02X}."
        )
    completed_bytes = size_bytes - padding_bytes - image.used_bytes
    if completed_bytes:
        notes.append(
            f"Words of {word_bytes} bytes were completed with {completed_bytes:,} bytes of {fill:02X}."
        )
    if offset_bytes:
        notes.append(f"Image address {image.lowest:#x} is part address {image.lowest + offset_bytes:#x}.")
    data = image.flatten(size_bytes, fill, offset_bytes=offset_bytes)
    return FittedContent(data, tuple(ranges), tuple(notes))


def _repeated(image: Image, size_bytes: int, word_bytes: int, offset_bytes: int, fill: int) -> FittedContent:
    length_bytes = image.end + offset_bytes
    times, rest_bytes = divmod(size_bytes, length_bytes)
    if rest_bytes or times & (times - 1) or length_bytes % word_bytes or image.lowest + offset_bytes:
        raise BenchError(
            Code.IMAGE_PLACEMENT,
            f"Content from {image.lowest + offset_bytes:#x} to {length_bytes - 1:#x} cannot be repeated to"
            f" fill {size_bytes:,} bytes: it has to begin at 0x0 and take a half, a quarter and so on.",
            hint="Program it without repeating, or pad the image to such a length first.",
            details={"length_bytes": length_bytes, "part_size_bytes": size_bytes},
        )
    one = _placed(image, length_bytes, word_bytes, offset_bytes, fill)
    if times == 1:
        return one
    ranges: list[Range] = []
    for start in range(0, size_bytes, length_bytes):
        for each in one.ranges:
            if ranges and ranges[-1].end_bytes == start + each.start_bytes:
                ranges.append(Range(ranges.pop().start_bytes, start + each.end_bytes))
            else:
                ranges.append(Range(start + each.start_bytes, start + each.end_bytes))
    note = f"The content of {length_bytes:,} bytes stands {times} times in {size_bytes:,}."
    return FittedContent(one.data * times, tuple(ranges), (*one.notes, note))


def _too_large(image: Image, size_bytes: int) -> BenchError:
    excess_bytes = image.span_bytes - size_bytes
    next_size_bytes = 1 << (image.span_bytes - 1).bit_length()
    advice = f"Use a part of {next_size_bytes:,} bytes or a smaller image."
    if excess_bytes in _HEADER_BYTES:
        advice = (
            f"It is {excess_bytes} bytes over: a header of that length may stand before the content."
            " Remove it and try again."
        )
    elif len(image.segments) == 1 and _halves_match(image.segments[0].data, size_bytes):
        advice = (
            "Its upper half repeats the lower: the first half is all there is. Cut it there and try again."
        )
    elif len(image.segments) == 1 and _all(image.segments[0].data[size_bytes:], 0xFF):
        advice = f"All beyond the first {size_bytes:,} bytes is FF: cut it off, or use a larger part."
    elif len(image.segments) > 1:
        advice = "Its segments lie far apart: remove those that belong to another chip, or use a larger part."
    return BenchError(
        Code.IMAGE_TOO_LARGE,
        f"The image spans {image.span_bytes:,} bytes; the part holds {size_bytes:,}.",
        hint=advice,
        field="image",
        details={"image_bytes": image.span_bytes, "part_bytes": size_bytes, "excess_bytes": excess_bytes},
    )


def _misplaced(image: Image, size_bytes: int, offset_bytes: int) -> BenchError:
    first, last = image.lowest + offset_bytes, image.end + offset_bytes - 1
    where = f"{_signed_hex(first)} to {_signed_hex(last)}"
    return BenchError(
        Code.IMAGE_PLACEMENT,
        f"The content would lie from {where}; the part has 0x0 to {size_bytes - 1:#x}.",
        hint=f"An offset of {_signed_hex(-image.lowest)} puts its first byte at the part's first byte.",
        field="offset_bytes",
        details={
            "first_bytes": first,
            "last_bytes": last,
            "part_bytes": size_bytes,
            "suggested_offset_bytes": -image.lowest,
        },
    )


def _halves_match(data: bytes, half_bytes: int) -> bool:
    return len(data) == 2 * half_bytes and data[:half_bytes] == data[half_bytes:]


def _all(data: bytes, value: int) -> bool:
    return data.count(value) == len(data)


def _signed_hex(value: int) -> str:
    return f"{value:#x}" if value >= 0 else f"-{-value:#x}"
