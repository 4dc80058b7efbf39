"""The codec of fixed fields, held against bytes written by hand."""

from dataclasses import dataclass
from enum import IntEnum
from typing import Annotated

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.fields import U8, U16, U32, MalformedError, Rest, Scalar, decode, encode, layout_of


class Colour(IntEnum):
    RED = 1
    BLUE = 2


@dataclass(frozen=True)
class Sample:
    small: U8
    middle: U16
    large: U32
    colour: Annotated[Colour, Scalar(1)]
    rest: Rest


# By hand: little-endian, in order, no gaps.
SAMPLE = Sample(0x01, 0x0302, 0x07060504, Colour.BLUE, b"\x09\x0a")
SAMPLE_BYTES = bytes.fromhex("01 0203 04050607 02 090a")


def test_fields_lie_in_order_and_little_endian() -> None:
    assert encode(SAMPLE) == SAMPLE_BYTES
    assert decode(Sample, SAMPLE_BYTES) == SAMPLE
    assert isinstance(decode(Sample, SAMPLE_BYTES).colour, Colour)


@pytest.mark.parametrize("size", range(8))
def test_content_cut_short_is_malformed(size: int) -> None:
    with pytest.raises(MalformedError, match=f"{size} bytes, needs 8"):
        decode(Sample, SAMPLE_BYTES[:size])


def test_an_unknown_value_is_malformed() -> None:
    with pytest.raises(MalformedError, match=r"Sample\.colour: 3 is unknown"):
        decode(Sample, bytes.fromhex("01 0203 04050607 03"))


@pytest.mark.parametrize(("small", "large"), [(256, 0), (-1, 0), (0, 2**32)])
def test_a_value_that_does_not_fit_is_our_mistake(small: int, large: int) -> None:
    with pytest.raises(ValueError, match="Sample"):
        encode(Sample(small, 0, large, Colour.RED, b""))


@dataclass(frozen=True)
class Fixed:
    value: U16


def test_bytes_of_a_later_minor_are_skipped() -> None:
    assert decode(Fixed, b"\x34\x12\xff\xff") == Fixed(0x1234)


@given(st.binary(max_size=20))
def test_garbage_is_decoded_or_malformed(content: bytes) -> None:
    try:
        sample = decode(Sample, content)
    except MalformedError:
        return
    assert encode(sample) == content


def test_a_class_that_is_no_message_is_refused() -> None:
    with pytest.raises(TypeError, match="no dataclass"):
        layout_of(int)


def test_nothing_may_follow_the_rest() -> None:
    @dataclass(frozen=True)
    class Wrong:
        rest: Rest
        after: U8

    with pytest.raises(TypeError, match="after follows the rest"):
        layout_of(Wrong)
