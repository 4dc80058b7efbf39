"""Reading Motorola S-records: data with 16, 24 or 32-bit addresses, a count, an end.

S0 is a header, S1 to S3 are data, S5 and S6 count the data records before them, S7 to S9 end the file and
give a start address that a memory chip has no use for. S4 is reserved.
"""

import re
from collections.abc import Iterator

from daemon.images.assemble import Placed
from daemon.images.records import RecordText, Shape, explain, shown

_SHAPE = Shape(
    name="S-record",
    mark=re.compile(rb"S[0-35-9]"),
    mark_words="S, a type digit (not 4) and hexadecimal digits",
    uncounted_bytes=1,
    counted_words="bytes of address, data and checksum",
    least_bytes=4,
    checksum_of_zero=0xFF,
)
_LONGEST_CHARACTERS = 4 + 2 * 255
_ADDRESS_BYTES = {"0": 2, "1": 2, "2": 3, "3": 4, "5": 2, "6": 3, "7": 4, "8": 3, "9": 2}


def s_data_records(source: RecordText) -> Iterator[Placed]:
    """Yield the data records of an S-record file.

    Raises BenchError (`image-format`) for a bad record, a count that does not hold, a record after the end,
    and a file with neither an end record nor a count: such a file may have been cut short.
    """
    seen, end_at, offset = 0, -1, 0
    counted: tuple[int, int] | None = None
    for offset, text in source.lines():
        if end_at >= 0:
            raise source.fault(
                offset,
                f"more follows the end record on line {source.line_number(end_at)}.",
                hint="Two files may have been joined: upload them one by one.",
            )
        kind, address, data = _unpack(source, offset, text)
        if kind in "123":
            seen += 1
            yield offset, address, data
        elif kind in "56":
            counted = offset, address
        elif kind in "789":
            end_at = offset
    if counted and counted[1] != seen:
        raise source.fault(
            counted[0],
            f"the count says {counted[1]} data records, the file has {seen}.",
            hint="Lines are missing or came twice: get the file again.",
            expected=counted[1],
            found=seen,
        )
    if end_at < 0 and not counted:
        raise source.fault(
            offset,
            "the file ends here without an end record (S7, S8 or S9) or a count.",
            hint="Probably it was cut short: get it again. If it is whole, add S9030000FC as its last line.",
        )


def _unpack(source: RecordText, offset: int, text: bytes) -> tuple[str, int, bytes]:
    import bincopy  # late: it costs 0.08 s

    if len(text) > _LONGEST_CHARACTERS:
        raise source.fault(offset, f"{len(text):,} characters; the longest record has {_LONGEST_CHARACTERS}.")
    try:
        kind, address, _, data = bincopy.unpack_srec(text.decode("ascii"))
    except (bincopy.Error, ValueError, IndexError):
        raise explain(source, offset, text, _SHAPE) from None
    # The library takes a checksum for part of the address when the record is too short to hold both.
    least_digits = 2 + 2 * (1 + _ADDRESS_BYTES[kind] + 1)
    if len(text) < least_digits:
        raise source.fault(offset, f"{shown(text)} is too short for the address and checksum of S{kind}.")
    return kind, address, data
