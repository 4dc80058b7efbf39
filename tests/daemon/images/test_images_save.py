"""Writing image files, checked against the formats' definitions."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.errors import BenchError, Code
from daemon.images import Image, ImageFormat, Segment, dump, load

HEX, SREC, RAW = ImageFormat.INTEL_HEX, ImageFormat.S_RECORD, ImageFormat.RAW


def test_published_records_come_out() -> None:
    # The three data records are printed in public tests of the formats; sums added again by hand.
    assert dump(Image.raw(bytes.fromhex("02337a"), 0x30), HEX) == b":0300300002337A1E\n:00000001FF\n"
    line = b":10010000214601360121470136007EFE09D2190140\n:00000001FF\n"
    assert dump(Image.raw(bytes.fromhex("214601360121470136007efe09d21901"), 0x100), HEX) == line
    image = Image.raw(bytes.fromhex("0a0a0d00000000000000000000000000"), 0x7AF0)
    # S5 with a count of 1: 03+00+01 = 04, complement FB.
    assert dump(image, SREC) == b"S1137AF00A0A0D0000000000000000000000000061\nS5030001FB\nS9030000FC\n"


def test_no_intel_hex_record_crosses_a_block() -> None:
    # Split at 0x10000 with a base record; sums by hand: 02+FF+FE+61+62 = 2C2 -> 3E; 01+63 = 64 -> 9C.
    text = dump(Image.raw(b"abc", 0xFFFE), HEX).decode().split()
    assert text == [":02FFFE0061623E", ":020000040001F9", ":01000000639C", ":00000001FF"]


@pytest.mark.parametrize(
    ("start", "data_type", "end_record"),
    [(0xFFFD, "S1", "S9030000FC"), (0xFFFE, "S2", "S804000000FB"), (0xFF_FFFE, "S3", "S70500000000FA")],
)
def test_s_records_use_the_shortest_address(start: int, data_type: str, end_record: str) -> None:
    lines = dump(Image.raw(b"abc", start), SREC).decode().split()
    assert {line[:2] for line in lines[:-2]} == {data_type}
    assert lines[-1] == end_record


def test_a_long_s_record_file_has_a_24_bit_count() -> None:
    # 0x100010 bytes in records of 16 are 0x10001 records: 04+01+00+01 = 06, complement F9.
    data = bytes(0x100010)
    written = dump(data, SREC)
    assert written.splitlines()[-2] == b"S604010001F9"
    assert load(written).image.segments[0].data == data


def test_raw_runs_from_the_lowest_address_and_fills_gaps() -> None:
    assert dump(Image((Segment(0x10, b"ab"), Segment(0x14, b"c"))), RAW) == b"ab\xff\xffc"
    assert dump(b"abc", RAW) == b"abc"


def test_what_cannot_be_written() -> None:
    wide = Image((Segment(0, b"a"), Segment(0xFFFF_FFFF, b"b")))
    with pytest.raises(BenchError) as caught:
        dump(wide, RAW)
    assert caught.value.code is Code.IMAGE_SPAN
    assert load(dump(wide, HEX), max_span_bytes=1 << 32).image == wide
    for format in ImageFormat:
        with pytest.raises(BenchError) as caught:
            dump(b"", format)
        assert caught.value.code is Code.IMAGE_EMPTY


@given(st.binary(min_size=1, max_size=100), st.integers(0, 0x20_0000), st.sampled_from([HEX, SREC]))
def test_records_hold_sixteen_aligned_bytes_at_most(data: bytes, start: int, format: ImageFormat) -> None:
    mark = 1 if format is HEX else 2
    for line in dump(Image.raw(data, start), format).decode().split():
        values = bytes.fromhex(line[mark:])
        assert sum(values) % 256 == (0 if format is HEX else 0xFF)
        assert len(values) <= 21 + 1
