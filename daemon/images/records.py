"""Text made of records, one a line: walking it, and saying exactly what is wrong with a line.

Intel HEX and S-record share this much: a mark, then pairs of hexadecimal digits of which the first is a count
and the last a checksum. The library reads the good lines; the words about a bad one are made here.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from daemon.errors import BenchError, Code

_LINE = re.compile(rb"[^\r\n]+")
_NOT_HEX = re.compile(rb"[^0-9A-Fa-f]")
_PADDING = b"\x00\x1a \t\r\n"  # 0x1A and 0x00: some systems fill a text file's last block with them
_SHOWN_CHARACTERS = 40


@dataclass(slots=True)
class RecordText:
    """The bytes of a record file, with the warnings gathered while reading it."""

    data: bytes
    warnings: list[str] = field(default_factory=list)

    def lines(self) -> Iterator[tuple[int, bytes]]:
        """Yield each line that is not blank, trimmed, with its offset in the file in bytes."""
        end = len(self.data.rstrip(_PADDING))
        for match in _LINE.finditer(self.data, 0, end):
            if text := match[0].strip():
                yield match.start(), text

    def line_number(self, offset_bytes: int) -> int:
        """Count the lines up to a line's offset, the first being 1; CR, LF and CR LF each end a line."""
        feeds, returns, pairs = (self.data.count(end, 0, offset_bytes) for end in (b"\n", b"\r", b"\r\n"))
        return 1 + feeds + returns - pairs

    def warn(self, offset_bytes: int, message: str) -> None:
        """Add a warning about a line."""
        self.warnings.append(f"Line {self.line_number(offset_bytes)}: {message}")

    def fault(
        self,
        offset_bytes: int,
        message: str,
        *,
        code: Code = Code.IMAGE_FORMAT,
        hint: str = "The file was damaged or edited by hand: get it again from where it was made.",
        **details: Any,
    ) -> BenchError:
        """Make the error for a line; the message is a sentence without its capital, after the line number."""
        line = self.line_number(offset_bytes)
        return BenchError(code, f"Line {line}: {message}", hint=hint, details={"line": line, **details})


@dataclass(frozen=True, slots=True)
class Shape:
    """What sets one record format apart when a bad line is explained."""

    name: str
    mark: re.Pattern[bytes]
    mark_words: str
    uncounted_bytes: int
    """Bytes of a record that its count does not count, the count itself among them."""
    counted_words: str
    least_bytes: int
    checksum_of_zero: int
    """The checksum is this minus the sum of the bytes before it, its low byte."""


def explain(source: RecordText, offset_bytes: int, text: bytes, shape: Shape) -> BenchError:
    """Find out what is wrong with a record that the library refused, with the numbers."""

    def fault(message: str, **details: Any) -> BenchError:
        return source.fault(offset_bytes, message, **details)

    mark = shape.mark.match(text)
    if mark is None:
        return fault(f"{shape.mark_words} was expected, found {shown(text)}.")
    digits = text[mark.end() :]
    if wrong := _NOT_HEX.search(digits):
        column = mark.end() + wrong.start() + 1
        return fault(f"{shown(wrong[0])} at column {column} is not a hexadecimal digit.", column=column)
    if len(digits) % 2:
        return fault(f"{len(digits)} hexadecimal digits; two make a byte, so their number is even.")
    values = bytes.fromhex(digits.decode("ascii"))
    if len(values) < shape.least_bytes:
        return fault(f"{len(values)} bytes; the shortest {shape.name} record has {shape.least_bytes}.")
    found_bytes = len(values) - shape.uncounted_bytes
    if values[0] != found_bytes:
        return fault(
            f"the count says {values[0]} {shape.counted_words}, the record has {found_bytes}.",
            expected=values[0],
            found=found_bytes,
        )
    expected = (shape.checksum_of_zero - sum(values[:-1])) & 0xFF
    if values[-1] != expected:
        return fault(
            f"the checksum is {values[-1]:02X}, the record's bytes make it {expected:02X}.",
            expected=f"{expected:02X}",
            found=f"{values[-1]:02X}",
        )
    return fault(f"{shown(text)} is not a record of {shape.name}.")


def shown(text: bytes) -> str:
    """Quote a piece of a file for a message, shortened, unprintable bytes as escapes."""
    cut = text[:_SHOWN_CHARACTERS]
    quoted = cut.decode("ascii", "backslashreplace")
    safe = "".join(each if each.isprintable() else f"\\x{ord(each):02x}" for each in quoted)
    return f"'{safe}{'…' if len(text) > len(cut) else ''}'"
