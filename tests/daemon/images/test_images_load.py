"""Reading image files: published records, reference readers, damaged and hostile files."""

import tracemalloc
from time import process_time

import pytest

from daemon.errors import BenchError, Code
from daemon.images import Image, ImageFormat, Segment, detect, load
from tests.daemon.images.small_files import END, HELLO, HEX, RAW, SREC


def hex_record(kind: int, address: int, data: bytes) -> str:
    """An Intel HEX record built from the format's definition alone."""
    body = bytes((len(data), address >> 8, address & 0xFF, kind)) + data
    return f":{body.hex()}{-sum(body) & 0xFF:02x}\n".upper()


def loaded(text: str, **options: object) -> Image:
    return load(text.encode(), **options).image  # type: ignore[arg-type]


def refused(text: str | bytes, code: Code = Code.IMAGE_FORMAT, **options: object) -> BenchError:
    data = text.encode() if isinstance(text, str) else text
    with pytest.raises(BenchError) as caught:
        load(data, **options)  # type: ignore[arg-type]
    assert caught.value.code is code
    assert caught.value.hint
    return caught.value


# Records printed in public tests and manuals of the two formats; their sums were added again by hand.
@pytest.mark.parametrize(
    ("record", "address", "data"),
    [
        (":0300300002337A1E", 0x30, "02337a"),
        (":10010000214601360121470136007EFE09D2190140", 0x100, "214601360121470136007efe09d21901"),
        (":0B0010006164647265737320676170A7", 0x10, b"address gap".hex()),
    ],
)
def test_published_intel_hex_data_records(record: str, address: int, data: str) -> None:
    assert loaded(f"{record}\n{END}").segments == (Segment(address, bytes.fromhex(data)),)


# Address and start records: from memory, their sums added again.
@pytest.mark.parametrize(
    ("record", "base"),
    [
        (":020000021200EA", 0x12000),
        (":020000040800F2", 0x0800_0000),
        (":0400000300003800C1", 0),
        (":04000005000000CD2A", 0),
    ],
)
def test_published_intel_hex_address_and_start_records(record: str, base: int) -> None:
    assert loaded(f"{record}\n:0300300002337A1E\n{END}").lowest == base + 0x30


def test_published_s_record_file() -> None:
    result = load(HELLO.encode())
    assert result.format is SREC
    assert result.image.lowest == 0
    assert result.image.end == 0x46
    assert result.image.segments[0].data.endswith(b"Hello world.\n\x00")
    assert result.image.segments[0].data.startswith(bytes.fromhex("7C0802A69001"))


def test_published_s1_record_and_count() -> None:
    # "S1137AF0..." is the worked example seen in public copies of the format's description.
    image = loaded("S1137AF00A0A0D0000000000000000000000000061\nS5030001FB\nS9030000FC\n")
    assert image.segments == (Segment(0x7AF0, bytes.fromhex("0a0a0d00000000000000000000000000")),)


def test_known_wrong_checksum_is_named_with_the_right_one() -> None:
    # Found in a public file: 03+7A+F0 = 16D, complement of 6D is 92; the file has 0A.
    error = refused("S1137AF00A0A0D0000000000000000000000000061\nS9037AF00A\n")
    assert error.details == {"line": 2, "expected": "92", "found": "0A"}
    assert "Line 2" in error.message


def test_24_and_32_bit_s_records() -> None:
    # 05+12+34+56+AB = 0x14C, complement of 4C is B3; 06+00+01+00+00+CD = D4, complement 2B: by hand.
    image = loaded("S205123456ABB3\nS30600010000CD2B\nS70500000000FA\n")
    assert image.segments == (Segment(0x10000, b"\xcd"), Segment(0x123456, b"\xab"))


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r", "\n\n", "  \t\r\n"])
def test_line_endings_blank_lines_and_padding(ending: str) -> None:
    text = f":0300300002337A1E{ending}:00000001FF{ending}" + "\x1a\x00\x00"
    assert loaded(text).used_bytes == 3
    error = refused(f":0300300002337A1E{ending}:0300300002337A1F{ending}{END}")
    assert error.details["line"] == (3 if ending == "\n\n" else 2)


def test_lower_case_digits() -> None:
    assert loaded(f":0300300002337a1e\n{END.lower()}").used_bytes == 3


@pytest.mark.parametrize(
    ("lines", "words", "line"),
    [
        (":0300300002337A1E\n:0300330002337A1E\n" + END, "checksum is 1E, the record's bytes make it 1B", 2),
        (":0400300002337A1D\n" + END, "count says 4 data bytes, the record has 3", 1),
        (":0300300002337A1\n" + END, "15 hexadecimal digits", 1),
        (":030030000233GA1E\n" + END, "'G' at column 14", 1),
        (":0300300002337A1E\nhello\n" + END, "a colon and hexadecimal digits was expected, found 'hello'", 2),
        (":0300300002337A1E\n:00\n" + END, "1 bytes; the shortest Intel HEX record has 5", 2),
        (":00000006FA\n" + END, "record type 06", 1),
        (":0100000400FB\n" + END, "a record of type 04 has 2 bytes, this one 1", 1),
        (":0300300002337A1E\n:0100000100FE\n", "a record of type 01 has 0 bytes, this one 1", 2),
        (
            ":0300300002337A1E\n" + END + ":0300330002337A1B\n",
            "more follows the end-of-file record on line 2",
            3,
        ),
        (":0300300002337A1E\n", "without an end-of-file record", 1),
        (":" + "00" * 300 + "\n" + END, "601 characters; the longest record has 521", 1),
        (":0300300002 337A1E\n" + END, "' ' at column 12", 1),
        (":020000040FFFEC\n:020000040FFFECX\n" + END, "'X' at column 16", 2),
    ],
)
def test_malformed_intel_hex(lines: str, words: str, line: int) -> None:
    error = refused(lines, format=HEX)
    assert words in error.message
    assert error.details["line"] == line
    assert error.message.startswith(f"Line {line}: ")


@pytest.mark.parametrize(
    ("lines", "words", "line"),
    [
        ("S1137AF00A0A0D\n", "count says 19 bytes of address, data and checksum, the record has 5", 1),
        ("S4030000FC\n", "a type digit (not 4)", 1),
        (HELLO.replace("S5030003F9", "S5030004F8"), "count says 4 data records, the file has 3", 5),
        (HELLO.replace("S5030003F9", "S5030002FA"), "count says 2 data records, the file has 3", 5),
        (HELLO + "S9030000FC\n", "more follows the end record on line 6", 7),
        ("S111003848656C6C6F20776F726C642E0A0042\n", "without an end record", 1),
        ("S304000000FB\nS9030000FC\n", "too short for the address and checksum of S3", 1),
        ("X\nS9030000FC\n", "S, a type digit", 1),
        ("S1" + "00" * 257 + "\n", "516 characters; the longest record has 514", 1),
    ],
)
def test_malformed_s_records(lines: str, words: str, line: int) -> None:
    # S304000000FB: four counted bytes cannot hold a 32-bit address and a checksum, though the sum is right.
    error = refused(lines, format=SREC)
    assert words in error.message
    assert error.details["line"] == line


def test_an_s_record_file_with_a_count_needs_no_end() -> None:
    assert loaded("S111003848656C6C6F20776F726C642E0A0042\nS5030001FB\n").used_bytes == 14


def test_the_latest_address_record_holds() -> None:
    # The two kinds of base replace each other and never add up: the format's specification, from memory.
    text = hex_record(4, 0, b"\x00\x01") + hex_record(2, 0, b"\x10\x00") + hex_record(0, 0, b"\xaa") + END
    assert loaded(text).lowest == 0x10000
    text = hex_record(2, 0, b"\x10\x00") + hex_record(4, 0, b"\x00\x02") + hex_record(0, 0, b"\xaa") + END
    assert loaded(text).lowest == 0x20000


def test_a_record_across_a_block_is_read_on_with_a_warning() -> None:
    result = load((hex_record(0, 0xFFFE, b"abcd") + END).encode())
    assert result.image.segments == (Segment(0xFFFE, b"abcd"),)
    assert "64 KiB" in result.warnings[0]
    linear = hex_record(4, 0, b"\x00\x00") + hex_record(0, 0xFFFE, b"abcd") + END
    assert load(linear.encode()).warnings == ()
    based = (
        hex_record(4, 0, b"\x00\x01") + hex_record(2, 0, b"\x10\x00") + hex_record(0, 0xFFFE, b"abcd") + END
    )
    assert "Line 3" in load(based.encode()).warnings[0]
    whole = hex_record(0, 0xFFFC, b"abcd") + END
    assert load(whole.encode()).warnings == ()


def test_overlap_with_other_content_names_address_and_both_lines() -> None:
    text = hex_record(0, 0x100, bytes(16)) + hex_record(0, 0x200, bytes(16)) + hex_record(0, 0x10A, b"\0\7")
    error = refused(text + END, Code.IMAGE_OVERLAP)
    assert error.message == "Line 3: address 0x10b gets 07, but line 1 gave it 00."
    assert error.details == {"line": 3, "address": 0x10B, "earlier_line": 1}


def test_overlap_with_the_same_content_is_a_warning() -> None:
    text = hex_record(0, 0x100, b"abcdef") + hex_record(0, 0x102, b"cd") + hex_record(0, 0x104, b"efg") + END
    result = load(text.encode())
    assert result.image.segments == (Segment(0x100, b"abcdefg"),)
    assert "0x102" in result.warnings[0]


def test_empty_files() -> None:
    refused(b"", Code.IMAGE_EMPTY)
    refused(END, Code.IMAGE_EMPTY)
    refused(hex_record(0, 0, b"") + END, Code.IMAGE_EMPTY)
    refused("S9030000FC\n", Code.IMAGE_EMPTY)


BOMB = (hex_record(0, 0, b"\0") + hex_record(4, 0, b"\x04\x00") + hex_record(0, 0, b"\0") + END).encode()


def test_a_56_byte_file_that_spans_64_mib_is_refused_with_little_memory() -> None:
    assert len(BOMB) == 56
    refused(BOMB, Code.IMAGE_SPAN)  # imports what it needs, so that the measure below sees only the reading
    tracemalloc.start()
    try:
        error = refused(BOMB, Code.IMAGE_SPAN)
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak_bytes < 64 * 1024
    assert error.details == {"line": 3, "lowest": 0, "end": (64 << 20) + 1, "limit_bytes": 64 << 20}


def test_the_span_limit_is_exact_and_counts_from_the_lowest_address() -> None:
    far = hex_record(4, 0, b"\x08\x00") + hex_record(0, 0x10, b"ab") + hex_record(0, 0x1E, b"cd") + END
    assert loaded(far, max_span_bytes=16).span_bytes == 16
    assert refused(far, Code.IMAGE_SPAN, max_span_bytes=15).details["line"] == 3
    assert loaded("abc", max_span_bytes=3).span_bytes == 3
    refused("abcd", Code.IMAGE_SPAN, max_span_bytes=3)


def test_an_empty_record_far_away_spans_nothing() -> None:
    text = hex_record(0, 0, b"a") + hex_record(4, 0, b"\xff\xff") + hex_record(0, 0xFFFF, b"") + END
    assert loaded(text).span_bytes == 1


def test_the_end_of_the_32_bit_space() -> None:
    top = hex_record(4, 0, b"\xff\xff")
    assert loaded(top + hex_record(0, 0xFFFF, b"a") + END).end == 1 << 32
    assert "32-bit" in refused(top + hex_record(0, 0xFFFF, b"ab") + END).message


def test_too_many_separate_stretches() -> None:
    lines = []
    for address in range(0, 0x40000, 2):
        if address % 0x10000 == 0:
            lines.append(hex_record(4, 0, (address >> 16).to_bytes(2, "big")))
        lines.append(hex_record(0, address & 0xFFFF, b"a"))
    assert "separate stretches" in refused("".join(lines) + END).message


@pytest.mark.slow
def test_records_in_descending_order_take_linear_time() -> None:
    def seconds(records: int) -> float:
        order = list(range(records - 1, -1, -1))
        text = "".join(
            f"S308{address:08X}{body}{(0xFF - sum(bytes.fromhex(f'08{address:08X}{body}'))) & 0xFF:02X}\n"
            for address, body in ((3 * each, f"{each & 0xFFFFFF:06X}") for each in order)
        )
        data = (text + "S9030000FC\n").encode()
        began = process_time()
        image = load(data).image
        spent = process_time() - began
        assert image.used_bytes == 3 * records
        assert len(image.segments) == 1
        return spent

    seconds(1000)
    assert seconds(160_000) < 40 * seconds(20_000)  # eight times the records; quadratic would be 64


# Detection


@pytest.mark.parametrize(
    ("data", "format"),
    [
        (HELLO.encode(), SREC),
        (END.encode(), HEX),
        (b"\r\n\r\n  " + END.encode(), HEX),
        (b"\xef\xbb\xbf" + END.encode(), HEX),
        (END.encode("utf-16"), HEX),
        (b"\xfe\xff" + HELLO.encode("utf-16-be"), SREC),
        (b"; made today\n" + hex_record(0, 0, b"a").encode() + END.encode(), HEX),
        (b":03003\x9000233\n" + (hex_record(0, 0, b"a") + END).encode() * 3, HEX),
        (b":zzz", HEX),
        (b"plain words\nand more\n", RAW),
        (b"S", RAW),
        (bytes(range(256)), RAW),
        (b":\x00\x01\x02\xff", RAW),
        (b"\n\n", RAW),
    ],
)
def test_detection(data: bytes, format: ImageFormat) -> None:
    found, reason = detect(data)
    assert found is format
    assert reason.endswith(".")


def test_a_damaged_first_line_is_an_error_and_not_raw_content() -> None:
    text = ":03003x0002337A1E\n" + hex_record(0, 0x40, b"abc") * 1 + hex_record(0, 0x50, b"abc") + END
    assert refused(text).details["line"] == 1


def test_utf_16_is_read_with_a_warning() -> None:
    result = load(f":0300300002337A1E\n{END}".encode("utf-16"))
    assert result.image.used_bytes == 3
    assert "UTF-16" in result.warnings[0]


def test_the_format_that_was_asked_for_wins() -> None:
    result = load(END.encode(), format=RAW)
    assert result.image.segments == (Segment(0, END.encode()),)
    assert "text" in result.warnings[0]
    refused(bytes(range(256)), format=HEX)


@pytest.mark.parametrize(
    ("data", "word"),
    [(b"PK\x03\x04" + bytes(9), "ZIP"), (b"\x1f\x8b\x08\x00", "gzip")],
)
def test_containers_are_pointed_out(data: bytes, word: str) -> None:
    assert word in load(data).warnings[0]


def test_blank_content_is_pointed_out() -> None:
    assert "0xFF" in load(b"\xff" * 100).warnings[0]
    assert load(b"\xff" * 100 + b"\x00").warnings == ()
