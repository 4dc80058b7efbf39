"""Finding out what a file is, and reading it."""

import re
from dataclasses import dataclass

from daemon.errors import BenchError, Code
from daemon.images.assemble import assemble
from daemon.images.elf import ELF_MARK, elf_segments
from daemon.images.intel_hex import hex_data_records
from daemon.images.model import Image, ImageFormat, Segment
from daemon.images.records import RecordText
from daemon.images.s_record import s_data_records

MAX_SPAN_BYTES = 64 << 20
"""Widest span of addresses taken from one file: sixteen times the largest part we know of."""

_HEAD_BYTES = 4096
_TEXT = re.compile(rb"[\t\n\f\r\x1a\x20-\x7e]*")
_LINES = re.compile(rb"[^\r\n]+")
_RECORDS = {
    ImageFormat.INTEL_HEX: re.compile(rb"\s*:[0-9A-Fa-f]{8}"),
    ImageFormat.S_RECORD: re.compile(rb"\s*S[0-9][0-9A-Fa-f]{6}"),
}
_NAMES = {
    ImageFormat.RAW: "raw content",
    ImageFormat.INTEL_HEX: "Intel HEX",
    ImageFormat.S_RECORD: "S-record",
    ImageFormat.ELF: "ELF",
}
_RECORD_WORDS = {ImageFormat.INTEL_HEX: "an Intel HEX record", ImageFormat.S_RECORD: "an S-record"}
_UTF8_MARK = b"\xef\xbb\xbf"
_UTF16_STARTS = tuple(
    mark + start.encode(code)
    for mark, code in ((b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be"))
    for start in (":", "S")
)
_CONTAINERS = {
    b"PK\x03\x04": "a ZIP archive",
    b"\x1f\x8b\x08": "a gzip file",
}


@dataclass(frozen=True, slots=True)
class LoadedImage:
    """An image with how its format was found (`reason`, a sentence) and what to look at (`warnings`)."""

    image: Image
    format: ImageFormat
    reason: str
    warnings: tuple[str, ...]


def detect(data: bytes) -> tuple[ImageFormat, str]:
    """Tell the format of a file from its first 4 KiB, with the reason in words.

    A file counts as records when its first line is one, or half of its lines are: a damaged first line must
    end in an error message and not in a chip full of text.
    """
    if data.startswith(ELF_MARK):
        return ImageFormat.ELF, "It begins with 7F 45 4C 46, the mark of an ELF file."
    head = _plain(data[:_HEAD_BYTES])[0]
    lines = [line for line in _LINES.findall(head) if line.strip()]
    for format, record in _RECORDS.items():
        if lines and record.match(lines[0]):
            return format, f"The first line is {_RECORD_WORDS[format]}."
        if sum(1 for line in lines if record.match(line)) * 2 >= max(len(lines), 1):
            return (
                format,
                f"The first line is no record, but most lines look like {_RECORD_WORDS[format]}.",
            )
    if not _TEXT.fullmatch(head):
        return (
            ImageFormat.RAW,
            "It holds bytes that text does not have, so it was taken as raw content.",
        )
    if head.lstrip().startswith(b":"):
        return ImageFormat.INTEL_HEX, "It is text that begins with a colon, as an Intel HEX record does."
    return ImageFormat.RAW, "It is text, but not made of records, so it was taken as raw content."


def load(
    data: bytes, *, format: ImageFormat | None = None, max_span_bytes: int = MAX_SPAN_BYTES
) -> LoadedImage:
    """Read a file's bytes as an image, in the given format or the one they show.

    Raw content begins at address 0. Raises BenchError and nothing else: `image-empty`, `image-format`,
    `image-overlap` or `image-span`; for record formats the message names the line, for ELF the section.
    """
    if not data:
        raise BenchError(Code.IMAGE_EMPTY, "The file is empty.", hint="Check the output of what made it.")
    if format is None:
        format, reason = detect(data)
    else:
        reason = f"It was said to be {_NAMES[format]}."
    if format is ImageFormat.RAW:
        segments, warnings = _raw_segments(data, max_span_bytes)
    elif format is ImageFormat.ELF:
        segments, warnings = elf_segments(data, max_span_bytes)
    else:
        segments, warnings = _record_segments(data, format, max_span_bytes)
    if all(each.data.count(0xFF) == len(each.data) for each in segments):
        warnings.append("Every byte is 0xFF: on most parts there is nothing to program.")
    return LoadedImage(Image(tuple(segments), format), format, reason, tuple(warnings))


def _raw_segments(data: bytes, max_span_bytes: int) -> tuple[list[Segment], list[str]]:
    if len(data) > max_span_bytes:
        raise BenchError(
            Code.IMAGE_SPAN,
            f"The file has {len(data):,} bytes; the limit is {max_span_bytes:,}.",
            hint="Cut it into the parts that belong in each chip first.",
            details={"size_bytes": len(data), "limit_bytes": max_span_bytes},
        )
    warnings = [
        f"It looks like {words}; it will be programmed as it is. Unpack it first if that is not meant."
        for start, words in _CONTAINERS.items()
        if data.startswith(start)
    ]
    if not warnings and _TEXT.fullmatch(data[:_HEAD_BYTES]):
        warnings.append("It looks like plain text; it will be programmed as it is.")
    return [Segment(0, bytes(data))], warnings


def _record_segments(
    data: bytes, format: ImageFormat, max_span_bytes: int
) -> tuple[list[Segment], list[str]]:
    text, note = _plain(data)
    source = RecordText(text)
    if note:
        source.warnings.append(note)
    reader = hex_data_records if format is ImageFormat.INTEL_HEX else s_data_records
    return assemble(source, reader, max_span_bytes), source.warnings


def _plain(data: bytes) -> tuple[bytes, str]:
    """Undo what editors and shells do to a text file: a UTF-8 mark, or UTF-16 throughout."""
    if data.startswith(_UTF16_STARTS):
        text = data.decode("utf-16", "replace").encode("ascii", "replace")
        return text, "The file is UTF-16 text, as some shells write; it was read as plain text."
    return data.removeprefix(_UTF8_MARK), ""
