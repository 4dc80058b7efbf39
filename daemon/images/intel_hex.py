"""Reading Intel HEX: which record says what, and where its bytes go.

The format is Intel's "Hexadecimal Object File Format Specification", revision A, 1988 (from memory): record
types 00 data, 01 end of file, 02 extended segment address, 03 start segment address, 04 extended linear
address, 05 start linear address. The latest address record holds until the next.
"""

import re
from collections.abc import Iterator
from enum import IntEnum

from daemon.errors import BenchError
from daemon.images.assemble import Placed
from daemon.images.records import RecordText, Shape, explain, shown

_SHAPE = Shape(
    name="Intel HEX",
    mark=re.compile(rb":"),
    mark_words="a colon and hexadecimal digits",
    uncounted_bytes=5,
    counted_words="data bytes",
    least_bytes=5,
    checksum_of_zero=0,
)
_LONGEST_CHARACTERS = 1 + 2 * (5 + 255)
_BLOCK_BYTES = 1 << 16


class _Kind(IntEnum):
    DATA = 0
    END = 1
    SEGMENT_BASE = 2
    SEGMENT_START = 3
    LINEAR_BASE = 4
    LINEAR_START = 5


_FIXED_LENGTH_BYTES = {
    _Kind.END: 0,
    _Kind.SEGMENT_BASE: 2,
    _Kind.SEGMENT_START: 4,
    _Kind.LINEAR_BASE: 2,
    _Kind.LINEAR_START: 4,
}


def hex_data_records(source: RecordText) -> Iterator[Placed]:
    """Yield the data records of an Intel HEX file with their full addresses.

    Raises BenchError (`image-format`) for a bad record, a record after the end-of-file record, and a file
    without one: that is the only sign of a file cut short, and half a file in a chip costs an erasure.
    """
    base, wraps, warned, end_at = 0, True, False, -1
    offset = 0
    for offset, text in source.lines():
        if end_at >= 0:
            raise _after_end(source, offset, end_at)
        kind, address, data = _unpack(source, offset, text)
        if kind is _Kind.DATA:
            if wraps and not warned and address + len(data) > _BLOCK_BYTES:
                warned = True
                source.warn(
                    offset,
                    "the record crosses a 64 KiB block; its bytes were taken to run on past the block,"
                    " where the standard would go back to the block's start.",
                )
            yield offset, base + address, data
        elif kind is _Kind.SEGMENT_BASE:
            base, wraps = int.from_bytes(data, "big") << 4, True
        elif kind is _Kind.LINEAR_BASE:
            base, wraps = int.from_bytes(data, "big") << 16, False
        elif kind is _Kind.END:
            end_at = offset
    if end_at < 0:
        raise source.fault(
            offset,
            "the file ends here without an end-of-file record (:00000001FF).",
            hint="Probably it was cut short: get it again. If it is whole, add :00000001FF as its last line.",
        )


def _unpack(source: RecordText, offset: int, text: bytes) -> tuple[_Kind, int, bytes]:
    import bincopy  # late: it costs 0.08 s

    if len(text) > _LONGEST_CHARACTERS:
        raise source.fault(offset, f"{len(text):,} characters; the longest record has {_LONGEST_CHARACTERS}.")
    try:
        number, address, _, data = bincopy.unpack_ihex(text.decode("ascii"))
    except (bincopy.Error, ValueError, IndexError):
        raise explain(source, offset, text, _SHAPE) from None
    if number == _Kind.DATA:
        return _Kind.DATA, address, data
    return _control_kind(source, offset, text, number, len(data)), address, data


def _control_kind(source: RecordText, offset: int, text: bytes, number: int, length_bytes: int) -> _Kind:
    try:
        kind = _Kind(number)
    except ValueError:
        raise source.fault(
            offset, f"record type {number:02X} in {shown(text)}; the types are 00 to 05.", found=number
        ) from None
    if length_bytes != _FIXED_LENGTH_BYTES[kind]:
        raise source.fault(
            offset,
            f"a record of type {number:02X} has {_FIXED_LENGTH_BYTES[kind]} bytes, this one {length_bytes}.",
            expected=_FIXED_LENGTH_BYTES[kind],
            found=length_bytes,
        )
    return kind


def _after_end(source: RecordText, offset: int, end_at: int) -> BenchError:
    return source.fault(
        offset,
        f"more follows the end-of-file record on line {source.line_number(end_at)}.",
        hint="Two files may have been joined: upload them one by one.",
    )
