"""Finding line orders; test contents; hex dumps; repeats."""

import hashlib
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.catalogue.loader import Catalogue
from daemon.errors import BenchError
from daemon.images.hexdump import hex_dump
from daemon.images.line_order import LineFinding, LineOrder, find_line_order
from daemon.images.patterns import Pattern, pattern_content
from daemon.images.repeats import repeat_words, repeats_of


def wired(known: bytes, order: LineOrder, word_bytes: int) -> bytes:
    """What a chip holds behind such lines, word by word and bit by bit."""
    chip = b""
    for at in range(len(known) // word_bytes):
        board = sum((at >> bit & 1) << line for bit, line in enumerate(order.address))
        word = int.from_bytes(known[board * word_bytes :][:word_bytes], "little")
        moved = sum((word >> line & 1) << bit for bit, line in enumerate(order.data))
        chip += moved.to_bytes(word_bytes, "little")
    return chip


def check(finding: LineFinding, known: bytes, chip: bytes, word_bytes: int = 1) -> None:
    for order in finding.orders:
        assert wired(known, order, word_bytes) == chip


@settings(max_examples=25)
@given(data=st.data(), lines=st.integers(7, 10), word_bytes=st.sampled_from([1, 2]))
def test_content_like_code_gives_the_order_away(data: st.DataObject, lines: int, word_bytes: int) -> None:
    seed = data.draw(st.integers(0, 1 << 30))
    known = hashlib.shake_256(b"%d" % seed).digest(word_bytes << lines)
    order = LineOrder(
        tuple(data.draw(st.permutations(range(lines)))),
        tuple(data.draw(st.permutations(range(8 * word_bytes)))),
    )
    finding = find_line_order(known, wired(known, order, word_bytes), word_bytes)
    assert finding.orders == (order,)
    assert not finding.ambiguous
    assert "no other" in finding.words


def test_straight_lines_are_said_to_be_straight() -> None:
    known = hashlib.shake_256(b"straight").digest(2048)
    words = find_line_order(known, known).words
    assert "all A lines straight" in words
    assert "all D lines straight" in words


# The number of orders that fit is worked out by hand from the symmetry of each content.
@pytest.mark.parametrize(
    ("known", "count", "address", "data"),
    [
        # Any order at all.
        (b"\xff" * 1024, math.factorial(10) * math.factorial(8), 10, 8),
        # Address lines and data lines move together.
        (pattern_content(Pattern.ADDRESS, 256), math.factorial(8), 8, 8),
        # D0 to D3 hold two address lines each: these change places within a pair, and pairs and singles do.
        (pattern_content(Pattern.ADDRESS, 4096), 2**4 * math.factorial(4) * math.factorial(4), 12, 8),
        # A0 to A2 move with the data lines, but D0 and D7 stay (000 and 111); the others by themselves.
        (pattern_content(Pattern.WALKING_ONES, 1024), math.factorial(3) * math.factorial(7), 10, 6),
        # Only A0 matters; odd and even data lines among themselves, or all together with nothing else.
        (pattern_content(Pattern.CHECKERBOARD, 64), math.factorial(5) * math.factorial(4) ** 2, 5, 8),
    ],
)
def test_content_that_cannot_tell_says_so(known: bytes, count: int, address: int, data: int) -> None:
    finding = find_line_order(known, known)
    assert finding.count == count
    assert finding.ambiguous
    assert finding.searched_all
    assert len(finding.unsure_address_lines) == address
    assert len(finding.unsure_data_lines) == data
    assert f"{count:,} orders fit" in finding.words
    check(finding, known, known)


def test_one_line_that_does_nothing_is_still_the_only_one() -> None:
    half = hashlib.shake_256(b"half").digest(512)
    order = LineOrder((9, 0, 1, 2, 3, 4, 5, 6, 7, 8), tuple(range(8)))
    chip = wired(half * 2, order, 1)
    assert find_line_order(half * 2, chip).orders == (order,)
    quarter = hashlib.shake_256(b"quarter").digest(256) * 4
    finding = find_line_order(quarter, quarter)
    assert finding.count == 2
    assert finding.unsure_address_lines == (8, 9)
    assert finding.unsure_data_lines == ()


def test_other_content_has_no_order() -> None:
    known = hashlib.shake_256(b"known").digest(1024)
    chip = bytearray(known)
    chip[700] ^= 4
    for other in (bytes(chip), hashlib.shake_256(b"other").digest(1024)):
        finding = find_line_order(known, other)
        assert finding.orders == ()
        assert "contents differ" in finding.words


@pytest.mark.parametrize(
    ("known", "chip", "word"), [(1024, 512, 1), (1000, 1000, 1), (1, 1, 1), (254, 254, 2)]
)
def test_sizes_that_cannot_be_compared(known: int, chip: int, word: int) -> None:
    with pytest.raises(BenchError, match="bytes"):
        find_line_order(bytes(known), bytes(chip), word)


# Test contents


def test_address_content_tells_words_apart_that_differ_in_one_line() -> None:
    data = pattern_content(Pattern.ADDRESS, 1 << 13)
    for at in range(0, 1 << 13, 37):
        for line in range(13):
            assert data[at] != data[at ^ 1 << line]
    wide = pattern_content(Pattern.ADDRESS, 512, 2)
    assert [int.from_bytes(wide[at : at + 2], "little") for at in range(0, 512, 2)] == [*range(256)]


def test_walking_bits() -> None:
    assert pattern_content(Pattern.WALKING_ONES, 10) == bytes([1, 2, 4, 8, 16, 32, 64, 128, 1, 2])
    assert pattern_content(Pattern.WALKING_ZEROS, 3) == bytes([0xFE, 0xFD, 0xFB])
    wide = pattern_content(Pattern.WALKING_ONES, 34, 2)
    words = [int.from_bytes(wide[at : at + 2], "little") for at in range(0, 34, 2)]
    assert words == [*(1 << bit for bit in range(16)), 1]
    assert pattern_content(Pattern.CHECKERBOARD, 4) == bytes([0x55, 0xAA, 0x55, 0xAA])


@pytest.mark.parametrize(("size", "word"), [(0, 1), (3, 2), (4, 3), (1 << 27, 1)])
def test_contents_that_cannot_be_made(size: int, word: int) -> None:
    with pytest.raises(BenchError, match="cannot be made"):
        pattern_content(Pattern.ADDRESS, size, word)


# Hex dumps


def test_hex_with_text() -> None:
    lines = list(hex_dump(b"Skerry Computer Club\x00\xff", first_address=0x8000))
    assert lines == [
        "00008000  53 6B 65 72 72 79 20 43  6F 6D 70 75 74 65 72 20  |Skerry Computer |",
        "00008010  43 6C 75 62 00 FF                                 |Club..          |",
    ]


def test_a_dump_begins_and_ends_where_it_is_told() -> None:
    lines = list(hex_dump(bytes(range(0x41, 0x5B)), start_bytes=5, length_bytes=6, width=8))
    assert lines == [
        "00000000                  46 47 48  |     FGH|",
        "00000008  49 4A 4B                  |IJK     |",
    ]
    with pytest.raises(ValueError, match="65"):
        next(hex_dump(b"x", width=65))


@given(
    pieces=st.lists(st.tuples(st.sampled_from([b"\xff", b"\x00", b"a"]), st.integers(1, 90)), max_size=6),
    start=st.integers(0, 40),
    width=st.integers(1, 20),
)
def test_folded_lines_stand_for_what_they_say(
    pieces: list[tuple[bytes, int]], start: int, width: int
) -> None:
    data = b"".join(byte * count for byte, count in pieces)
    plain = list(hex_dump(data, start_bytes=start, width=width, fold=False))
    unfolded: list[str] = []
    for line in hex_dump(data, start_bytes=start, width=width):
        if "like the one above" in line:
            count = int(line.split()[0].replace(",", ""))
            assert count >= 3
            first = int(unfolded[-1][:8], 16)
            same = unfolded[-1][8:]
            unfolded += [f"{first + (index + 1) * width:08X}{same}" for index in range(count)]
        else:
            unfolded.append(line)
    assert unfolded == plain


# Repeats


def test_repeats_name_what_they_fit() -> None:
    catalogue = Catalogue()
    unit = hashlib.shake_256(b"unit").digest(32768)
    words = repeat_words(repeats_of(unit * 2), catalogue)
    assert words.startswith("The upper half repeats the lower: it fits a ")
    assert "27C256" in words
    assert repeat_words(repeats_of(unit), catalogue) == ""
    four = repeats_of(unit[:8192] * 4)
    assert (four.unit_bytes, four.times) == (8192, 4)
    assert "27C64" in repeat_words(four, catalogue)
    assert "512 bytes are all there is" in repeat_words(repeats_of(unit[:512] * 2), catalogue)


def test_what_is_no_repeat() -> None:
    assert repeats_of(b"\xff" * 4096).times == 1
    assert repeats_of(b"ab" * 4096).unit_bytes == 256
    assert repeats_of(b"").times == 1
    assert repeats_of(bytes(513)).times == 1
