"""Type-length-value records: a tag byte, a length byte, the value."""

from collections.abc import Iterable, Iterator

from protocol.fields import MalformedError

VALUE_MAX = 255


def pack_records(records: Iterable[tuple[int, bytes]]) -> bytes:
    """Return the records one after another. Raises ValueError for a value over 255 bytes."""
    packed = bytearray()
    for tag, value in records:
        if len(value) > VALUE_MAX:
            raise ValueError(f"record {tag}: {len(value)} bytes, at most {VALUE_MAX}")
        packed += bytes((tag, len(value))) + value
    return bytes(packed)


def unpack_records(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield tag and value of each record. Raises MalformedError when the last one is cut short."""
    at = 0
    while at < len(data):
        if at + 2 > len(data) or at + 2 + data[at + 1] > len(data):
            raise MalformedError(f"record at byte {at} is cut short")
        yield data[at], data[at + 2 : at + 2 + data[at + 1]]
        at += 2 + data[at + 1]
