"""The image as a value: identity, canonical form, layout."""

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.errors import BenchError, Code
from daemon.images import Image, ImageFormat, Range, Segment, dump, load

MARK = b"romwright segmented image 1\n"


def test_sizes_and_ends() -> None:
    image = Image((Segment(0x10, b"abc"), Segment(0x20, b"de")))
    assert (image.lowest, image.end, image.used_bytes, image.span_bytes) == (0x10, 0x22, 5, 0x12)
    assert image.segments[0].range == Range(0x10, 0x13)
    assert image.segments[0].range.length_bytes == 3


@pytest.mark.parametrize(
    "segments",
    [
        (),
        (Segment(4, b"ab"), Segment(0, b"a")),
        (Segment(0, b"ab"), Segment(1, b"a")),
        (Segment(0, b"ab"), Segment(2, b"a")),
    ],
)
def test_segments_are_in_normal_form(segments: tuple[Segment, ...]) -> None:
    with pytest.raises(ValueError, match="segment"):
        Image(segments)


def test_bad_segments_and_ranges() -> None:
    with pytest.raises(ValueError, match="at least one byte"):
        Segment(0, b"")
    with pytest.raises(ValueError, match="32-bit"):
        Segment((1 << 32) - 1, b"ab")
    with pytest.raises(ValueError, match="32-bit"):
        Segment(-1, b"ab")
    with pytest.raises(ValueError, match="range"):
        Range(2, 1)


def test_of_orders_and_joins() -> None:
    assert Image.of([Segment(2, b"cd"), Segment(8, b"z"), Segment(0, b"ab")]) == Image(
        (Segment(0, b"abcd"), Segment(8, b"z"))
    )
    with pytest.raises(ValueError, match="overlap"):
        Image.of([Segment(0, b"abc"), Segment(2, b"c")])


def test_a_raw_file_is_known_by_its_plain_sha256() -> None:
    # SHA-256 of "abc": FIPS 180-2 appendix B.1, from memory.
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert load(b"abc").image.sha256 == expected
    assert load(dump(b"abc", ImageFormat.INTEL_HEX)).image.sha256 == expected
    assert load(dump(b"abc", ImageFormat.S_RECORD)).image.sha256 == expected


def test_the_encoding_of_segments_is_as_documented() -> None:
    image = Image((Segment(1, b"ab"), Segment(0x1234, b"c")))
    by_hand = MARK + b"\x01\0\0\0\0\0\0\0\x02\0\0\0\0\0\0\0ab" + b"\x34\x12\0\0\0\0\0\0\x01\0\0\0\0\0\0\0c"
    assert image.encode() == by_hand
    assert image.sha256 == hashlib.sha256(by_hand).hexdigest()
    assert Image.raw(b"ab", 1).sha256 != Image.raw(b"ab").sha256


segment_lists = st.lists(
    st.tuples(st.integers(1, 50), st.binary(min_size=1, max_size=20) | st.just(MARK + b"x")),
    min_size=1,
    max_size=4,
)


@given(segment_lists, st.integers(0, 3))
def test_encoding_round_trip(pieces: list[tuple[int, bytes]], first: int) -> None:
    segments, at = [], first - pieces[0][0]
    for gap, data in pieces:
        segments.append(Segment(at + gap, data))
        at += gap + len(data)
    image = Image(tuple(segments))
    again = Image.decode(image.encode(), ImageFormat.S_RECORD)
    assert again == image
    assert again.format is ImageFormat.S_RECORD
    assert again.sha256 == hashlib.sha256(image.encode()).hexdigest() == image.sha256


def test_plain_bytes_that_look_encoded_stay_apart() -> None:
    inner = Image((Segment(1, b"ab"),))
    outer = Image.raw(inner.encode())
    assert outer != inner
    assert outer.sha256 != inner.sha256
    assert Image.decode(outer.encode()) == outer


@given(st.integers(1, 44))
def test_cut_encodings_are_refused(cut: int) -> None:
    whole = Image((Segment(1, b"ab"), Segment(9, b"cdefghijkl"))).encode()
    ends_of_segments = (28 + 18, 28 + 18 + 26)  # the mark line, then two heads of 16 with 2 and 10 bytes
    assert len(whole) == ends_of_segments[1]
    shorter = whole[:-cut]
    if len(shorter) == ends_of_segments[0]:
        return
    with pytest.raises(BenchError) as caught:
        Image.decode(shorter)
    assert caught.value.code is Code.IMAGE_FORMAT


def test_encodings_out_of_order_are_refused() -> None:
    one, two = (Image((Segment(at, b"ab"),)).encode().removeprefix(MARK) for at in (1, 9))
    assert Image.decode(MARK + one + two).used_bytes == 4
    with pytest.raises(BenchError):
        Image.decode(MARK + two + one)
    with pytest.raises(BenchError):
        Image.decode(MARK)
    with pytest.raises(BenchError):
        Image.decode(b"")


def test_flatten() -> None:
    image = Image((Segment(2, b"ab"), Segment(6, b"c")))
    assert image.flatten(8) == b"\xff\xffab\xff\xffc\xff"
    assert image.flatten(8, 0) == b"\0\0ab\0\0c\0"
    assert image.flatten(5, 0, offset_bytes=-2) == b"ab\0\0c"
    for size, offset in ((6, 0), (8, -3), (8, 2)):
        with pytest.raises(BenchError) as caught:
            image.flatten(size, offset_bytes=offset)
        assert caught.value.code is Code.IMAGE_PLACEMENT


def test_repr_holds_no_content() -> None:
    assert "secret" not in repr(Image.raw(b"secret"))
