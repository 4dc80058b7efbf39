"""From an image to the exact content of a part."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.errors import BenchError, Code
from daemon.images import Image, Range, Segment, fit


def refused(image: Image, size: int, word: int = 1, **options: object) -> BenchError:
    with pytest.raises(BenchError) as caught:
        fit(image, size, word, **options)  # type: ignore[arg-type]
    return caught.value


def test_an_exact_image_is_untouched() -> None:
    fitted = fit(Image.raw(b"abcd"), 4, 1)
    assert fitted.data == b"abcd"
    assert fitted.ranges == (Range(0, 4),)
    assert fitted.padded == ()
    assert fitted.notes == ()


def test_gaps_and_ends_are_filled_and_told() -> None:
    fitted = fit(Image((Segment(1, b"ab"), Segment(5, b"c"))), 8, 1)
    assert fitted.data == b"\xffab\xff\xffc\xff\xff"
    assert fitted.ranges == (Range(1, 3), Range(5, 6))
    assert fitted.padded == (Range(0, 1), Range(3, 5), Range(6, 8))
    assert "5 of 8 bytes" in fitted.notes[0]
    assert fit(Image.raw(b"a"), 3, 1, fill=0).data == b"a\0\0"


def test_ranges_are_whole_words() -> None:
    fitted = fit(Image((Segment(1, b"a"), Segment(4, b"b"), Segment(7, b"c"))), 12, 2)
    assert fitted.ranges == (Range(0, 2), Range(4, 8))
    assert fitted.data == b"\xffa\xff\xffb\xff\xffc\xff\xff\xff\xff"
    assert any("completed with 3 bytes" in note for note in fitted.notes)


def test_an_image_linked_high_is_placed_by_a_negative_offset() -> None:
    image = Image.raw(b"abcd", 0xE000)
    error = refused(image, 0x2000)
    assert error.code is Code.IMAGE_PLACEMENT
    assert "-0xe000" in error.hint
    fitted = fit(image, 0x2000, 1, offset_bytes=error.details["suggested_offset_bytes"])
    assert fitted.data.startswith(b"abcd\xff")
    assert "0xe000" in fitted.notes[-1]


def test_too_large_states_both_sizes_and_a_part_that_would_do() -> None:
    error = refused(Image.raw(bytes(range(256)) * 33), 8192)
    assert error.code is Code.IMAGE_TOO_LARGE
    assert "8,448" in error.message
    assert "8,192" in error.message
    assert "16,384" in error.hint
    assert error.details == {"image_bytes": 8448, "part_bytes": 8192, "excess_bytes": 256}


@pytest.mark.parametrize("header", [16, 32, 64, 128, 512])
def test_a_likely_header_is_pointed_out(header: int) -> None:
    assert "header" in refused(Image.raw(bytes(8192 + header)), 8192).hint


def test_what_hints_say_about_blank_ends_repeats_and_far_segments() -> None:
    assert "FF" in refused(Image.raw(b"a" * 64 + b"\xff" * 20), 64).hint
    assert "upper half repeats" in refused(Image.raw((b"ab" * 50) * 2), 100).hint
    assert "segments" in refused(Image((Segment(0, b"a"), Segment(999, b"a"))), 100).hint


def test_repeating() -> None:
    assert fit(Image.raw(b"ab"), 8, 1, repeat=True).data == b"abababab"
    assert fit(Image.raw(b"ab"), 8, 1, repeat=True).ranges == (Range(0, 8),)
    gapped = fit(Image((Segment(0, b"a"), Segment(3, b"b"))), 8, 1, repeat=True)
    assert gapped.data == b"a\xff\xffba\xff\xffb"
    assert gapped.ranges == (Range(0, 1), Range(3, 5), Range(7, 8))
    assert "2 times" in gapped.notes[-1]
    assert fit(Image.raw(b"abcdefgh"), 8, 1, repeat=True).data == b"abcdefgh"
    assert fit(Image.raw(b"abcd", 0x40), 8, 1, repeat=True, offset_bytes=-0x40).data == b"abcdabcd"


@pytest.mark.parametrize(
    ("image", "size", "word"),
    [
        (Image.raw(b"abc"), 8, 1),
        (Image.raw(b"abc"), 9, 1),
        (Image.raw(b"ab", 2), 8, 1),
        (Image.raw(b"a"), 8, 2),
    ],
)
def test_what_cannot_be_repeated(image: Image, size: int, word: int) -> None:
    assert refused(image, size, word, repeat=True).code is Code.IMAGE_PLACEMENT


@pytest.mark.parametrize(("size", "word", "fill"), [(7, 2, 0), (0, 1, 0), (8, 0, 0), (8, 1, 256), (8, 1, -1)])
def test_impossible_parts(size: int, word: int, fill: int) -> None:
    with pytest.raises(ValueError, match=r"words|fill"):
        fit(Image.raw(b"a"), size, word, fill=fill)


@given(
    st.dictionaries(st.integers(0, 63), st.integers(0, 255), min_size=1),
    st.sampled_from([1, 2, 4]),
    st.integers(-70, 70),
    st.integers(0, 255),
)
def test_every_byte_is_where_it_should_be(
    content: dict[int, int], word: int, offset: int, fill_byte: int
) -> None:
    image = Image.of(Segment(at, bytes((value,))) for at, value in content.items())
    if min(content) + offset < 0 or max(content) + offset > 63:
        assert refused(image, 64, word, offset_bytes=offset).code is Code.IMAGE_PLACEMENT
        return
    fitted = fit(image, 64, word, offset_bytes=offset, fill=fill_byte)
    assert fitted.data == bytes(content.get(at - offset, fill_byte) for at in range(64))
    in_ranges = {at for each in fitted.ranges for at in range(each.start_bytes, each.end_bytes)}
    in_padding = {at for each in fitted.padded for at in range(each.start_bytes, each.end_bytes)}
    assert in_ranges | in_padding == set(range(64))
    assert not in_ranges & in_padding
    wanted = {(at + offset) // word for at in content}
    assert {at // word for at in in_ranges} == wanted
