"""Any file: what the reference library writes and reads, there and back, and garbage."""

import io
import re

from hypothesis import example, given, settings
from hypothesis import strategies as st
from intelhex import IntelHex

from daemon.errors import BenchError, Code
from daemon.images import Image, ImageFormat, LoadedImage, Segment, dump, load
from tests.daemon.images.small_files import END, HELLO, HEX, RAW, SREC

# Against the reference library


@st.composite
def images(draw: st.DrawFn) -> Image:
    """Images of a few segments, some of them around block edges."""
    near = st.sampled_from([0, 0xFFF0, 0x10000, 0x1FFF8, 0xFF_FFF0, 0x1FF_FFFF]) | st.integers(0, 0x20_0000)
    segments, floor = [], -1
    starts = draw(st.lists(near, min_size=1, max_size=4, unique=True))
    for start in sorted(starts):
        data = draw(st.binary(min_size=1, max_size=70))
        if start > floor:
            segments.append(Segment(start, data))
            floor = start + len(data)
    return Image(tuple(segments))


@given(images())
def test_intelhex_reads_what_we_write(image: Image) -> None:
    reference = IntelHex()
    reference.loadhex(io.StringIO(dump(image, HEX).decode()))
    assert reference.segments() == [(each.start_bytes, each.end_bytes) for each in image.segments]
    for each in image.segments:
        assert reference.tobinstr(each.start_bytes, each.end_bytes - 1) == each.data


@given(images(), st.integers(1, 255), st.sampled_from(["native", "CRLF"]))
def test_we_read_what_intelhex_writes(image: Image, byte_count: int, ending: str) -> None:
    reference = IntelHex()
    for each in image.segments:
        reference.frombytes(each.data, each.start_bytes)
    text = io.StringIO()
    reference.write_hex_file(text, byte_count=byte_count, eolstyle=ending)
    result = load(text.getvalue().encode())
    assert result.image == image
    assert result.image.sha256 == image.sha256
    assert result.format is HEX


@given(images(), st.sampled_from([HEX, SREC]))
def test_round_trip(image: Image, format: ImageFormat) -> None:
    result = load(dump(image, format), max_span_bytes=1 << 32)
    assert result.image == image
    assert result.format is format


@given(st.binary(min_size=1, max_size=300))
def test_raw_round_trip(data: bytes) -> None:
    assert dump(load(data, format=RAW).image, RAW) == data


# Nothing but BenchError


@settings(max_examples=300)
@given(st.binary(max_size=400), st.sampled_from([None, *ImageFormat]))
@example(b"S", None)
@example(b":" + b" " * 10 + b"\n", HEX)
@example(":０３００３０".encode(), HEX)
def test_garbage_bytes_raise_nothing_else(data: bytes, format: ImageFormat | None) -> None:
    accept_or_refuse(data, format)


@settings(max_examples=400)
@given(
    st.sampled_from([HELLO, f":0300300002337A1E\n:020000040800F2\n:0300300002337A1E\n{END}"]),
    st.lists(st.tuples(st.integers(0, 300), st.sampled_from("0123456789ABCDEFS: \r\n\tg\x00é")), max_size=3),
    st.sampled_from([None, HEX, SREC]),
)
def test_damaged_records_raise_nothing_else(
    text: str, changes: list[tuple[int, str]], format: ImageFormat | None
) -> None:
    letters = list(text)
    for at, letter in changes:
        letters[at % len(letters)] = letter
    accept_or_refuse("".join(letters).encode(), format)


def outcome(data: bytes, format: ImageFormat | None) -> LoadedImage | BenchError:
    try:
        return load(data, format=format)
    except BenchError as error:
        return error


def accept_or_refuse(data: bytes, format: ImageFormat | None) -> None:
    result = outcome(data, format)
    if isinstance(result, BenchError):
        assert result.hint
        if result.code is Code.IMAGE_FORMAT and format is not ImageFormat.ELF and data[:4] != b"\x7fELF":
            assert 1 <= result.details["line"] <= data.count(b"\n") + data.count(b"\r") + 1
        return
    if result.format is HEX:
        for line in re.split(rb"[\r\n]+", data.strip(b"\x00\x1a \t\r\n")):
            assert sum(bytes.fromhex(line.strip().decode("ascii")[1:])) % 256 == 0
    if result.format is SREC:
        for line in re.split(rb"[\r\n]+", data.strip(b"\x00\x1a \t\r\n")):
            assert not line.strip() or sum(bytes.fromhex(line.strip().decode("ascii")[2:])) % 256 == 0xFF
