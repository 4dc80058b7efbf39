"""What an image is: bytes at addresses, in a form that gives one identity to one content."""

import hashlib
import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise
from typing import Self

from daemon.errors import BenchError, Code

ADDRESS_LIMIT = 1 << 32
"""One past the highest byte address an image can have: Intel HEX and S-record address 32 bits."""

_SEGMENTED_MARK = b"romwright segmented image 1\n"
_SEGMENT_HEAD = struct.Struct("<QQ")  # start and length, bytes


class ImageFormat(StrEnum):
    """How image content is written in a file."""

    RAW = "raw"
    INTEL_HEX = "intel-hex"
    S_RECORD = "s-record"
    ELF = "elf"
    """Linked programs, read only: the content of their loadable sections."""


@dataclass(frozen=True, slots=True, order=True)
class Range:
    """A stretch of byte addresses, from `start_bytes` up to but not including `end_bytes`."""

    start_bytes: int
    end_bytes: int

    def __post_init__(self) -> None:
        if not 0 <= self.start_bytes <= self.end_bytes:
            raise ValueError(f"a range from {self.start_bytes} to {self.end_bytes}")

    @property
    def length_bytes(self) -> int:
        """How many bytes the stretch holds."""
        return self.end_bytes - self.start_bytes


@dataclass(frozen=True, slots=True)
class Segment:
    """Consecutive bytes that begin at the byte address `start_bytes`; never empty."""

    start_bytes: int
    data: bytes = field(repr=False)

    def __post_init__(self) -> None:
        if not self.data:
            raise ValueError("a segment holds at least one byte")
        if not 0 <= self.start_bytes <= ADDRESS_LIMIT - len(self.data):
            raise ValueError(
                f"{len(self.data)} bytes at {self.start_bytes:#x} leave the 32-bit address space"
            )

    @property
    def end_bytes(self) -> int:
        """The byte address just past the last byte."""
        return self.start_bytes + len(self.data)

    @property
    def range(self) -> Range:
        """The addresses that the segment covers."""
        return Range(self.start_bytes, self.end_bytes)


@dataclass(frozen=True, slots=True)
class Image:
    """Content by address: segments in ascending order with a gap between each two, at least one.

    Two images are equal when their bytes and addresses are, whatever file they came from; `format` is only
    a record of that. `sha256` (64 hexadecimal digits) is the identity: the SHA-256 of `encode()`. So a plain
    file has the digest that any other tool gives for it, and an Intel HEX file of the same bytes from address
    0 has that digest too.

    Raises ValueError for segments that are missing, out of order, overlapping or touching; `Image.of` puts
    segments in order and joins those that touch.
    """

    segments: tuple[Segment, ...]
    format: ImageFormat = field(default=ImageFormat.RAW, compare=False)
    sha256: str = field(init=False, compare=False)

    def __post_init__(self) -> None:
        if not self.segments:
            raise ValueError("an image has at least one segment")
        for one, following in pairwise(self.segments):
            if following.start_bytes <= one.end_bytes:
                raise ValueError(f"segments overlap, touch or are out of order at {following.start_bytes:#x}")
        digest = hashlib.sha256()
        for piece in self._pieces():
            digest.update(piece)
        object.__setattr__(self, "sha256", digest.hexdigest())

    @classmethod
    def of(cls, segments: Iterable[Segment], format: ImageFormat = ImageFormat.RAW) -> Self:
        """Make an image from segments in any order, joining those that touch; ValueError if two overlap."""
        runs: list[list[Segment]] = []
        for segment in sorted(segments, key=lambda each: each.start_bytes):
            if runs and runs[-1][-1].end_bytes == segment.start_bytes:
                runs[-1].append(segment)
            else:
                runs.append([segment])
        joined = (
            run[0] if len(run) == 1 else Segment(run[0].start_bytes, b"".join(part.data for part in run))
            for run in runs
        )
        return cls(tuple(joined), format)

    @classmethod
    def raw(cls, data: bytes, start_bytes: int = 0) -> Self:
        """Make an image of plain bytes, the first at `start_bytes`; ValueError if there are none."""
        return cls((Segment(start_bytes, data),))

    @property
    def lowest(self) -> int:
        """The lowest byte address that holds content."""
        return self.segments[0].start_bytes

    @property
    def end(self) -> int:
        """The byte address just past the highest that holds content."""
        return self.segments[-1].end_bytes

    @property
    def used_bytes(self) -> int:
        """How many bytes have content; gaps do not count."""
        return sum(len(segment.data) for segment in self.segments)

    @property
    def span_bytes(self) -> int:
        """From the lowest address to the end, gaps included."""
        return self.end - self.lowest

    def flatten(self, size_bytes: int, fill: int = 0xFF, *, offset_bytes: int = 0) -> bytes:
        """Lay the image out as exactly `size_bytes` bytes from address 0, gaps filled with the byte `fill`.

        `offset_bytes` is added to every address first and may be negative. Raises BenchError
        (`image-placement`) when any content would fall outside.
        """
        first, end = self.lowest + offset_bytes, self.end + offset_bytes
        if first < 0 or end > size_bytes:
            raise BenchError(
                Code.IMAGE_PLACEMENT,
                f"Content from {first:#x} to {end - 1:#x} does not lie within the {size_bytes:,} bytes"
                f" from 0x0 to {size_bytes - 1:#x}.",
                hint="Choose another offset or a larger size.",
                details={"first_bytes": first, "end_bytes": end, "size_bytes": size_bytes},
            )
        if len(self.segments) == 1 and first == 0 and end == size_bytes:
            return self.segments[0].data
        laid = bytearray(bytes((fill,))) * size_bytes
        for segment in self.segments:
            start = segment.start_bytes + offset_bytes
            laid[start : start + len(segment.data)] = segment.data
        return bytes(laid)

    def encode(self) -> bytes:
        """Write the image in its one canonical form, for storage under its SHA-256.

        One segment at address 0 is its plain bytes. Anything else is a mark line, then for each segment start
        and length (little-endian, 8 bytes each) and the bytes; plain bytes that happen to begin with the mark
        are written so too, hence no two images share an encoding.
        """
        return b"".join(self._pieces())

    @classmethod
    def decode(cls, encoded: bytes, format: ImageFormat = ImageFormat.RAW) -> Self:
        """Read what `encode` wrote. Raises BenchError (`image-format`) when it is damaged."""
        try:
            if not encoded.startswith(_SEGMENTED_MARK):
                return cls((Segment(0, encoded),), format)
            segments, at = [], len(_SEGMENTED_MARK)
            while at < len(encoded):
                start, length = _SEGMENT_HEAD.unpack_from(encoded, at)
                at += _SEGMENT_HEAD.size
                if length > len(encoded) - at:
                    raise ValueError("the last segment is cut short")
                segments.append(Segment(start, encoded[at : at + length]))
                at += length
            return cls(tuple(segments), format)
        except (ValueError, struct.error) as error:
            raise BenchError(
                Code.IMAGE_FORMAT,
                f"Stored image content is damaged: {error}.",
                hint="Upload the image again; check the disk that holds the state directory.",
            ) from error

    def _pieces(self) -> Iterator[bytes]:
        first = self.segments[0]
        if len(self.segments) == 1 and first.start_bytes == 0 and not first.data.startswith(_SEGMENTED_MARK):
            yield first.data
            return
        yield _SEGMENTED_MARK
        for segment in self.segments:
            yield _SEGMENT_HEAD.pack(segment.start_bytes, len(segment.data))
            yield segment.data
