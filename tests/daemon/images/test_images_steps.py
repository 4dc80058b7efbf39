"""Steps of a recipe against binutils objcopy and against plain Python, and what they refuse."""

import hashlib
import zlib
from collections.abc import Callable
from typing import Any

import crccheck.crc
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.errors import BenchError, Code
from daemon.images import Image, ImageFormat, Segment, dump, load
from daemon.images.crc import NAMED, Crc, crc_of
from daemon.images.recipe import parse_steps, transform

Objcopy = Callable[..., bytes]
DATA = hashlib.shake_256(b"content for steps").digest(4096)
RAW = ("-I", "binary", "-O", "binary")


def done(data: bytes | Image, *steps: dict[str, Any], **options: Any) -> bytes:
    image = data if isinstance(data, Image) else Image.raw(data)
    result = transform(image, parse_steps(list(steps)), **options)
    plain = transform(image, parse_steps(list(steps)), with_map=False, **options)
    assert plain.data == result.data
    return result.data


# objcopy as reference


@pytest.mark.parametrize(("ways", "lane", "unit"), [(2, 0, 1), (2, 1, 1), (4, 2, 1), (4, 3, 2), (8, 5, 1)])
def test_splits_are_objcopys(objcopy: Objcopy, ways: int, lane: int, unit: int) -> None:
    expected = objcopy(
        DATA,
        *RAW,
        f"--interleave={ways * unit}",
        f"--byte={lane * unit}",
        f"--interleave-width={unit}",
    )
    assert done(DATA, {"do": "split", "ways": ways, "lane": lane, "unit_bytes": unit}) == expected


def test_even_and_odd_are_objcopys(objcopy: Objcopy) -> None:
    assert done(DATA, {"do": "split", "lane": "even"}) == objcopy(DATA, *RAW, "-i2", "-b0")
    assert done(DATA, {"do": "split", "lane": "odd"}) == objcopy(DATA, *RAW, "-i2", "-b1")


@pytest.mark.parametrize("word", [2, 4, 8])
def test_swapped_bytes_are_objcopys(objcopy: Objcopy, word: int) -> None:
    assert done(DATA, {"do": "swap-bytes", "word_bytes": word}) == objcopy(
        DATA, *RAW, f"--reverse-bytes={word}"
    )


def test_fill_is_objcopys(objcopy: Objcopy) -> None:
    image = Image.of([Segment(0x10, b"first"), Segment(0x40, b"second")])
    expected = objcopy(
        dump(image, ImageFormat.INTEL_HEX), "-I", "ihex", "-O", "binary", "--gap-fill=0x3C", "--pad-to=0x80"
    )
    step = {"do": "fill", "value": 0x3C, "to_bytes": 0x70}
    assert done(image, step, base_address=0x10) == expected


@pytest.mark.parametrize(
    ("target", "format"), [("ihex", ImageFormat.INTEL_HEX), ("srec", ImageFormat.S_RECORD)]
)
@pytest.mark.parametrize("start", [0, 0xFFF8, 0x123_4560])
def test_record_files_pass_through_objcopy_both_ways(
    objcopy: Objcopy, target: str, format: ImageFormat, start: int
) -> None:
    image = Image.raw(DATA[:600], start)
    assert objcopy(dump(image, format), "-I", target, "-O", "binary") == DATA[:600]
    written = objcopy(DATA[:600], "-I", "binary", "-O", target, f"--change-section-lma=*+{start:#x}")
    assert load(written).image == image


# Every step against a slow spelling of what it means


def test_header_by_length_magic_and_both() -> None:
    file = b"TERN" + bytes(12) + b"content"
    assert done(file, {"do": "skip-header", "length_bytes": 16}) == b"content"
    assert done(file, {"do": "skip-header", "length_bytes": 16, "magic": "TERN"}) == b"content"
    assert done(file, {"do": "skip-header", "magic": "TERN"}) == bytes(12) + b"content"
    assert done(file, {"do": "skip-header", "magic": "0x00 63"}) == b"ontent"
    keep = {"do": "skip-header", "length_bytes": 16, "magic": "TERN", "missing": "keep"}
    assert done(b"content", keep) == b"content"


def test_slice_place_repeat_patch() -> None:
    assert done(DATA, {"do": "slice", "start_bytes": 3, "length_bytes": 5}) == DATA[3:8]
    assert done(DATA, {"do": "slice", "start_bytes": "0xFF0"}) == DATA[0xFF0:]
    placed = done(b"abc", {"do": "place", "offset_bytes": 2, "size_bytes": 6, "fill": 0})
    assert placed == b"\0\0abc\0"
    assert done(b"abc", {"do": "repeat", "to_bytes": 9}) == b"abc" * 3
    assert done(b"abc", {"do": "repeat", "times": 2}) == b"abc" * 2
    assert done(b"abcd", {"do": "patch", "offset_bytes": 1, "write": "XY", "was": "bc"}) == b"aXYd"
    assert done(b"abcd", {"do": "swap-bytes", "word_bytes": 4, "unit_bytes": 2}) == b"cdab"


@given(
    lines=st.permutations(range(10)),
    word=st.sampled_from([1, 2]),
    blocks=st.integers(1, 2),
)
def test_address_lines_bit_by_bit(lines: list[int], word: int, blocks: int) -> None:
    data = DATA[: (word << 10) * blocks] if word << 10 <= len(DATA) // blocks else DATA
    result = done(data, {"do": "reorder-address-lines", "order": lines, "word_bytes": word})
    expected = b""
    for block in range(0, len(data), word << 10):
        for chip in range(1 << 10):
            board = sum((chip >> bit & 1) << line for bit, line in enumerate(lines))
            expected += data[block + board * word :][:word]
    assert result == expected


def test_many_address_lines_turned_round() -> None:
    # Beyond 16 lines another way of working takes over.
    data = hashlib.shake_256(b"large").digest(1 << 18)
    order = [*range(17, -1, -1)]
    result = done(data, {"do": "reorder-address-lines", "order": order})
    for chip in (0, 1, 2, 0x15555, 0x3FFFE, 0x3FFFF):
        assert result[chip] == data[int(f"{chip:018b}"[::-1], 2)]
    assert done(result, {"do": "reorder-address-lines", "order": order}) == data


@given(lines=st.permutations(range(8)), data=st.binary(min_size=1, max_size=40))
def test_data_lines_bit_by_bit(lines: list[int], data: bytes) -> None:
    expected = bytes(sum((each >> line & 1) << bit for bit, line in enumerate(lines)) for each in data)
    assert done(data, {"do": "reorder-data-lines", "order": lines}) == expected


@given(lines=st.permutations(range(16)), words=st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=20))
def test_data_lines_of_wide_words(lines: list[int], words: list[int]) -> None:
    data = b"".join(word.to_bytes(2, "little") for word in words)
    moved = [sum((word >> line & 1) << bit for bit, line in enumerate(lines)) for word in words]
    expected = b"".join(word.to_bytes(2, "little") for word in moved)
    assert done(data, {"do": "reorder-data-lines", "order": lines, "word_bytes": 2}) == expected


def test_lines_as_pairs_or_in_full_are_the_same() -> None:
    for step in ("reorder-address-lines", "reorder-data-lines"):
        pairs = done(DATA, {"do": step, "exchange": [[0, 3], [1, 7]]})
        assert pairs == done(DATA, {"do": step, "order": [3, 7, 2, 0, 4, 5, 6, 1]})


# Checksums

_OUTSIDE = {name: cls for cls in crccheck.crc.ALLCRCCLASSES for name in getattr(cls, "_names", ())}


@pytest.mark.parametrize(("width", "name"), [(width, name) for width in NAMED for name in NAMED[width]])
def test_named_crcs_are_crcchecks(width: int, name: str) -> None:
    outside = _OUTSIDE[f"CRC-{width}/{name}"]
    for data in (b"", b"1", b"123456789", DATA[:1000]):
        assert crc_of(data, NAMED[width][name]) == outside.calc(data)


# Check values over "123456789" as docs.rs prints the catalogue (chip facts, section 6).
@pytest.mark.parametrize(
    ("width", "name", "check"),
    [
        (16, "XMODEM", 0x31C3),
        (16, "IBM-3740", 0x29B1),
        (32, "ISO-HDLC", 0xCBF43926),
        (32, "ISCSI", 0xE3069283),
    ],
)
def test_published_check_values(width: int, name: str, check: int) -> None:
    assert crc_of(b"123456789", NAMED[width][name]) == check


@given(
    data=st.binary(max_size=300),
    polynomial=st.integers(0, 0x7FFF).map(lambda value: value * 2 + 1),
    initial=st.integers(0, 0xFFFF),
    reflections=st.tuples(st.booleans(), st.booleans()),
    final_xor=st.integers(0, 0xFFFF),
)
def test_any_parameters_bit_by_bit(
    data: bytes, polynomial: int, initial: int, reflections: tuple[bool, bool], final_xor: int
) -> None:
    def mirrored(value: int, bits: int) -> int:
        return sum((value >> bit & 1) << (bits - 1 - bit) for bit in range(bits))

    register = initial
    for each in data:
        register ^= (mirrored(each, 8) if reflections[0] else each) << 8
        for _ in range(8):
            register = (register << 1 ^ (polynomial if register & 0x8000 else 0)) & 0xFFFF
    expected = (mirrored(register, 16) if reflections[1] else register) ^ final_xor
    assert crc_of(data, Crc(16, polynomial, initial, *reflections, final_xor)) == expected


def checksum(kind: str, **fields: Any) -> dict[str, Any]:
    return {"do": "checksum", "kind": kind, **fields}


def test_sums_and_complements() -> None:
    body = DATA[:100]
    assert done(body + b"\0", checksum("sum-8", offset_bytes=100))[-1] == sum(body) & 0xFF
    result = done(b"\xee\xee" + body, checksum("sum-16", offset_bytes=0, byte_order="big"))
    assert result == sum(body).to_bytes(2, "big") + body
    assert sum(done(body + b"\x77", checksum("twos-complement-8", offset_bytes=100))) & 0xFF == 0
    words = checksum("twos-complement-16", offset_bytes=4, unit_bytes=2)
    made = done(body, words)
    assert sum(int.from_bytes(made[at : at + 2], "little") for at in range(0, 100, 2)) & 0xFFFF == 0
    assert made[:4] + made[6:] == body[:4] + body[6:]


def test_crc_fields() -> None:
    body = DATA[:100]
    made = done(body + bytes(4), checksum("crc-32", offset_bytes=100))
    assert made[100:] == zlib.crc32(body).to_bytes(4, "little")
    # A frame followed by its own XMODEM CRC, high byte first, leaves a remainder of 0 (property of that CRC).
    made = done(body + bytes(2), checksum("crc-16", offset_bytes=100, byte_order="big"))
    assert crccheck.crc.CrcXmodem.calc(made) == 0


def test_what_own_bytes_count_as_matters() -> None:
    body = DATA[:100]
    for own, replaced in (("zero", b"\0\0\0\0"), ("blank", b"\xff\xff\xff\xff"), ("skip", b"")):
        made = done(body, checksum("crc-32", offset_bytes=40, own_bytes=own))
        assert made[40:44] == zlib.crc32(body[:40] + replaced + body[44:]).to_bytes(4, "little")


def test_a_range_and_parameters_of_a_checksum() -> None:
    table = {"polynomial": 0x8005, "initial": 0xFFFF, "reflect_in": True, "reflect_out": True}
    step = checksum("crc-16", offset_bytes=0, start_bytes=10, length_bytes=20, crc=table)
    assert done(DATA, step)[:2] == crccheck.crc.CrcModbus.calc(DATA[10:30]).to_bytes(2, "little")


# Serial numbers


@pytest.mark.parametrize(
    ("form", "start", "expected"),
    [
        ("decimal", 41, [b"0041", b"0043"]),
        ("hex", 254, [b"00FE", b"0100"]),
        ("little", 255, [b"\xff\0\0\0", b"\x01\x01\0\0"]),
        ("big", 255, [b"\0\0\0\xff", b"\0\0\x01\x01"]),
        ("bcd", 98, [b"\0\0\0\x98", b"\0\0\x01\0"]),
    ],
)
def test_each_copy_has_its_serial_number(form: str, start: int, expected: list[bytes]) -> None:
    step = {
        "do": "serial", "offset_bytes": 2, "length_bytes": 4, "start": start, "step": 2, "form": form
    }  # fmt: skip
    assert [done(bytes(8), step, copy=copy)[2:6] for copy in (0, 1)] == expected


def test_each_copy_has_its_own_patch() -> None:
    step = {"do": "patch-each", "offset_bytes": 1, "writes": ["ab", "0x00 FF"]}
    assert [done(bytes(4), step, copy=copy) for copy in (0, 1)] == [b"\0ab\0", b"\0\0\xff\0"]
    error = refused(bytes(4), step, copy=2)
    assert "this is copy 3" in error.message


# What is refused


def refused(data: bytes, *steps: dict[str, Any], **options: Any) -> BenchError:
    with pytest.raises(BenchError) as caught:
        done(data, *steps, **options)
    error = caught.value
    assert error.hint
    return error


@pytest.mark.parametrize(
    ("size", "step", "field", "said", "accepted"),
    [
        (9, {"do": "split", "lane": "odd"}, "do", "odd number", "8 or 10"),
        (9, {"do": "split", "ways": 4, "lane": 0}, "do", "no multiple of 4", "8 or 12"),
        (9, {"do": "skip-header", "length_bytes": 9}, "length_bytes", "leaves nothing of 9", "at most 8"),
        (9, {"do": "skip-header", "magic": "AB"}, "magic", "'AB'", "keep"),
        (9, {"do": "slice", "start_bytes": 9}, "start_bytes", "0x0 to 0x8", "0x0 to 0x8"),
        (9, {"do": "slice", "start_bytes": 4, "length_bytes": 6}, "length_bytes", "0x4 to 0x9", "5 bytes"),
        (9, {"do": "fill", "to_bytes": 8}, "to_bytes", "9 bytes already", "9 or more"),
        (9, {"do": "place", "offset_bytes": 2, "size_bytes": 10}, "offset_bytes", "0x2", "0x1"),
        (9, {"do": "place", "offset_bytes": 0, "size_bytes": 8}, "offset_bytes", "9 bytes", "9 or more"),
        (9, {"do": "repeat", "to_bytes": 20}, "to_bytes", "no multiple", "18 or 27"),
        (9, {"do": "repeat", "to_bytes": 5}, "to_bytes", "no multiple", "9 or 18"),
        (9, {"do": "patch", "offset_bytes": 8, "write": "ab"}, "offset_bytes", "0x0 to 0x8", "0x0 to 0x7"),
        (9, {"do": "patch", "offset_bytes": 0, "write": "a", "was": "b"}, "was", "stands '0x00'", "file"),
        (9, checksum("crc-32", offset_bytes=6), "offset_bytes", "4 bytes at 0x6", "0x0 to 0x5"),
        (9, checksum("sum-8", offset_bytes=0, start_bytes=9), "start_bytes", "0x9", "0x0 to 0x8"),
        (9, checksum("sum-16", offset_bytes=0, unit_bytes=2), "length_bytes", "7 bytes", "even"),
        (9, checksum("sum-16", offset_bytes=1, unit_bytes=2), "own_bytes", "middle of a word", "zero"),
        (9, {"do": "reorder-address-lines", "exchange": [[0, 3]]}, "do", "4 address lines", "16 bytes"),
        (9, {"do": "reorder-data-lines", "exchange": [[0, 9]], "word_bytes": 2}, "do", "9 bytes", "even"),
        (9, {"do": "join", "sources": ["other"]}, "sources", '"other"', "board"),
    ],
)  # fmt: skip
def test_a_step_that_does_not_suit_says_what_would(
    size: int, step: dict[str, Any], field: str, said: str, accepted: str
) -> None:
    error = refused(bytes(size), {"do": "slice"}, step)
    assert error.code is Code.RECIPE_STEP
    assert error.message.startswith(f"step 2 ({step['do']}): ")
    assert said in error.message
    assert accepted in error.hint
    assert error.field == f"steps[1].{field}"


def test_a_serial_number_that_does_not_fit() -> None:
    step = {"do": "serial", "offset_bytes": 0, "length_bytes": 2, "start": 98}
    error = refused(bytes(4), step, copy=2)
    assert "100" in error.message
    assert "2 copies" in error.hint


def test_content_that_would_be_too_large() -> None:
    assert "67,108,864" in refused(bytes(1 << 20), {"do": "repeat", "times": 65}).message
    error = refused(bytes(1 << 20), {"do": "repeat", "times": 64}, {"do": "repeat", "times": 2})
    assert error.message.startswith("step 2 (repeat)")


@pytest.mark.parametrize(
    ("step", "said"),
    [
        ({"do": "splitt", "lane": 0}, "did you mean split?"),
        ({"do": "encrypt"}, "skip-header, slice, split"),
        ({"lane": 0}, "`do`"),
        ({"do": "split", "lain": 0}, "did you mean lane?"),
        ({"do": "split", "ways": 2, "lane": 2}, "0 to 1"),
        ({"do": "split", "lane": {}}, "a whole number is"),
        ({"do": "split", "lane": []}, "a whole number is"),
        ({"do": "split", "ways": 1, "lane": 0}, "2 or more"),
        ({"do": "slice", "start_bytes": "ten"}, "a whole number is"),
        ({"do": "slice", "length_bytes": True}, "a whole number is needed"),
        ({"do": "skip-header"}, "length_bytes, magic, or both"),
        ({"do": "skip-header", "length_bytes": 2, "magic": "ABC"}, "has 3 bytes, the header only 2"),
        ({"do": "swap-bytes", "word_bytes": 4, "unit_bytes": 3}, "4 bytes must hold"),
        ({"do": "reorder-address-lines", "order": [0, 2]}, "lines 0 to 1"),
        ({"do": "reorder-address-lines", "order": [0, 0]}, "lines 0 to 1"),
        ({"do": "reorder-address-lines"}, "order or exchange"),
        ({"do": "reorder-data-lines", "order": [0, 1]}, "D0 to D7"),
        ({"do": "reorder-data-lines", "exchange": [[0, 8]]}, "D0 to D7"),
        ({"do": "reorder-data-lines", "exchange": [[0, 1], [1, 2]]}, "line 1 more than once"),
        ({"do": "repeat"}, "to_bytes or times"),
        ({"do": "patch", "offset_bytes": 0, "write": "0x123"}, "pairs of hexadecimal digits"),
        ({"do": "patch", "offset_bytes": 0, "write": "é"}, "ASCII"),
        ({"do": "patch", "offset_bytes": 0, "write": [256]}, "0 to 255"),
        ({"do": "patch", "offset_bytes": 0, "write": "ab", "was": "a"}, "has 1 bytes, the patch 2"),
        (checksum("crc16", offset_bytes=0), "crc-16"),
        (checksum("crc-16", offset_bytes=0, crc="XMODEN"), "did you mean XMODEM?"),
        (checksum("crc-16", offset_bytes=0, crc={"poly": 7}), "polynomial"),
        (checksum("crc-16", offset_bytes=0, crc={"polynomial": 0x10000}), "more than 16 bits"),
        (checksum("sum-8", offset_bytes=0, crc="XMODEM"), "no meaning"),
        ({"do": "serial", "offset_bytes": 0, "length_bytes": 2, "start": 100}, "hold 99"),
        ({"do": "patch-each", "offset_bytes": 0, "writes": ["ab", "abc"]}, "has 3 bytes for copy 2"),
    ],
)
def test_a_step_that_is_written_wrongly(step: dict[str, Any], said: str) -> None:
    error = refused(bytes(16), {"do": "slice"}, step)
    assert error.code is Code.RECIPE_INVALID
    assert "steps[1]" in error.message
    assert said in "\n".join(error.details["problems"])
