"""From records in any order to the segments of an image, in linear time and without ever building a gap."""

from collections.abc import Callable, Iterator

from daemon.errors import BenchError, Code
from daemon.images.model import ADDRESS_LIMIT, Segment
from daemon.images.records import RecordText

MAX_PIECES = 65_536
"""Most separate stretches in one image: no real file comes near, and each costs memory."""

Placed = tuple[int, int, bytes]
"""A data record: its offset in the file, its first byte address, its bytes."""

_Run = tuple[int, bytearray]


class _ConflictError(Exception):
    """Two records give one address different bytes."""

    def __init__(self, address: int) -> None:
        super().__init__()
        self.address = address


def assemble(
    source: RecordText, data_records: Callable[[RecordText], Iterator[Placed]], max_span_bytes: int
) -> list[Segment]:
    """Gather the data records of a file into segments, ascending and with a gap between each two.

    The span is checked with each record's address before its bytes are kept, so a short file with far-apart
    addresses costs nothing. Records may overlap if they agree (a warning). Raises BenchError: `image-span`,
    `image-overlap`, `image-empty`, `image-format`, each with the line.
    """
    runs: list[_Run] = []
    low, high = ADDRESS_LIMIT, 0
    for offset, address, data in data_records(source):
        if not data:
            continue
        low, high = min(low, address), max(high, address + len(data))
        if high > ADDRESS_LIMIT or high - low > max_span_bytes:
            raise _too_wide(source, offset, low, high, max_span_bytes)
        if runs and runs[-1][0] + len(runs[-1][1]) == address:
            runs[-1][1].extend(data)  # nearly every record of nearly every file
            continue
        if len(runs) >= MAX_PIECES:
            runs = _merged(source, runs, data_records)
            if len(runs) > MAX_PIECES // 2:  # half, so that merging stays rare and the whole linear
                raise source.fault(
                    offset,
                    f"more than {MAX_PIECES // 2:,} separate stretches of content before this record.",
                    hint="Fill the gaps where the file is made, or upload the content as a raw file.",
                )
        runs.append((address, bytearray(data)))
    if not runs:
        raise BenchError(
            Code.IMAGE_EMPTY,
            "The file has no data records: there is nothing to program.",
            hint="Check the output of the program that made it.",
        )
    return [Segment(start, bytes(data)) for start, data in _merged(source, runs, data_records)]


def _merged(
    source: RecordText, runs: list[_Run], data_records: Callable[[RecordText], Iterator[Placed]]
) -> list[_Run]:
    try:
        merged, repeated = _merge(sorted(runs, key=lambda run: run[0]))
    except _ConflictError as conflict:
        raise _overlap(source, conflict.address, data_records) from None
    if repeated:
        source.warnings.append(f"Content is given twice, both times the same, first at {repeated[0]:#x}.")
    return merged


def _merge(runs: list[_Run]) -> tuple[list[_Run], list[int]]:
    """Join sorted runs that touch or overlap; also tells where content came twice."""
    merged: list[_Run] = []
    repeated: list[int] = []
    for address, data in runs:
        if not merged or merged[-1][0] + len(merged[-1][1]) < address:
            merged.append((address, data))
            continue
        start, kept = merged[-1]
        begin = address - start
        shared = min(len(kept) - begin, len(data))
        if kept[begin : begin + shared] != data[:shared]:
            differing = next(i for i in range(shared) if kept[begin + i] != data[i])
            raise _ConflictError(address + differing)
        if shared:
            repeated.append(address)
        kept += data[shared:]
    return merged, repeated


def _overlap(
    source: RecordText, address: int, data_records: Callable[[RecordText], Iterator[Placed]]
) -> BenchError:
    """Read the file once more to name the two lines that disagree."""
    first: tuple[int, int] | None = None
    for offset, start, data in data_records(source):
        if not start <= address < start + len(data):
            continue
        value = data[address - start]
        if first is None:
            first = offset, value
        elif value != first[1]:
            line = source.line_number(first[0])
            return source.fault(
                offset,
                f"address {address:#x} gets {value:02X}, but line {line} gave it {first[1]:02X}.",
                code=Code.IMAGE_OVERLAP,
                hint="Two files may have been joined: use one, or place them at different addresses.",
                address=address,
                earlier_line=line,
            )
    raise AssertionError("the records that disagreed are gone")


def _too_wide(source: RecordText, offset: int, low: int, high: int, max_span_bytes: int) -> BenchError:
    if high > ADDRESS_LIMIT:
        return source.fault(offset, f"the record runs to {high - 1:#x}, past the 32-bit address space.")
    return source.fault(
        offset,
        f"with this record the content spans {high - low:,} bytes, from {low:#x} to {high - 1:#x};"
        f" the limit is {max_span_bytes:,}.",
        code=Code.IMAGE_SPAN,
        hint="Remove the records that do not belong to this chip, such as fuse or boot settings far away.",
        lowest=low,
        end=high,
        limit_bytes=max_span_bytes,
    )
