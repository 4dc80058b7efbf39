"""Writing content as a file."""

from collections.abc import Iterator

from daemon.errors import BenchError, Code
from daemon.images.detect import MAX_SPAN_BYTES
from daemon.images.model import Image, ImageFormat

_RECORD_BYTES = 16
"""Data bytes in a record; records start at multiples of it, so none crosses a 64 KiB block. Readers with
small buffers take 16 (common practice, no source)."""

_S_LIMITS = (("1", "9", 1 << 16), ("2", "8", 1 << 24), ("3", "7", 1 << 32))  # data type, end type, addresses


def dump(content: Image | bytes, format: ImageFormat) -> bytes:
    """Write an image, or plain bytes from address 0, in the given format.

    Raw has no addresses: an image is written from its lowest address to its end, gaps as 0xFF. S-records use
    the shortest address that reaches the end, and carry a count and an end record. Raises BenchError
    (`image-empty`, `image-format` for ELF, or `image-span` for raw content wider than 64 MiB).
    """
    if isinstance(content, bytes):
        if not content:
            raise BenchError(Code.IMAGE_EMPTY, "There are no bytes to write.", hint="Read the chip first.")
        content = Image.raw(content)
    if format is ImageFormat.ELF:
        raise BenchError(
            Code.IMAGE_FORMAT,
            "ELF files are read here, but not written.",
            hint="Choose raw, intel-hex or s-record.",
            field="format",
        )
    if format is ImageFormat.RAW:
        return _raw(content)
    lines = _hex_lines(content) if format is ImageFormat.INTEL_HEX else _s_lines(content)
    return ("\n".join(lines) + "\n").encode("ascii")


def _raw(image: Image) -> bytes:
    if image.span_bytes > MAX_SPAN_BYTES:
        raise BenchError(
            Code.IMAGE_SPAN,
            f"The image spans {image.span_bytes:,} bytes; a raw file may have {MAX_SPAN_BYTES:,}.",
            hint="Write it as Intel HEX or S-record: these leave gaps out.",
            details={"span_bytes": image.span_bytes, "limit_bytes": MAX_SPAN_BYTES},
        )
    return image.flatten(image.span_bytes, offset_bytes=-image.lowest)


def _hex_lines(image: Image) -> Iterator[str]:
    import bincopy  # late: it costs 0.08 s

    block = 0
    for address, data in _chunks(image):
        if address >> 16 != block:
            block = address >> 16
            yield bincopy.pack_ihex(bincopy.IHEX_EXTENDED_LINEAR_ADDRESS, 0, 2, block.to_bytes(2, "big"))
        yield bincopy.pack_ihex(bincopy.IHEX_DATA, address & 0xFFFF, len(data), data)
    yield bincopy.pack_ihex(bincopy.IHEX_END_OF_FILE, 0, 0, None)


def _s_lines(image: Image) -> Iterator[str]:
    import bincopy

    data_type, end_type, _ = next(row for row in _S_LIMITS if image.end <= row[2])
    count = 0
    for address, data in _chunks(image):
        count += 1
        yield bincopy.pack_srec(data_type, address, len(data), data)
    if count < 1 << 24:  # S6 has 24 bits; the count may be left out
        yield bincopy.pack_srec("5" if count < 1 << 16 else "6", count, 0, None)
    yield bincopy.pack_srec(end_type, 0, 0, None)


def _chunks(image: Image) -> Iterator[tuple[int, bytes]]:
    for segment in image.segments:
        start, data = segment.start_bytes, segment.data
        first = -start % _RECORD_BYTES
        if first:
            yield start, data[:first]
        for at in range(first, len(data), _RECORD_BYTES):
            yield start + at, data[at : at + _RECORD_BYTES]
