"""Frames: any cut, any garbage, nothing believed that is damaged, memory bounded."""

from itertools import pairwise

import pytest
from cobs import cobs
from crccheck.crc import Crc32
from hypothesis import given
from hypothesis import strategies as st

from protocol.framing import (
    BODY_MAX,
    CONTENT_MAX,
    ENCODED_MAX,
    Frame,
    FrameReader,
    decode_body,
    encode_frame,
)
from protocol.wire import Kind

contents = st.one_of(
    st.binary(max_size=80),
    st.binary(min_size=CONTENT_MAX - 2, max_size=CONTENT_MAX),
    # Long runs without a zero, and of zeros, where COBS has its corners.
    st.builds(
        lambda value, size: bytes((value,)) * size,
        st.sampled_from([0, 1, 255]),
        st.integers(240, 260),
    ),
)
frames = st.builds(Frame, st.sampled_from(Kind), st.integers(0, 31), st.integers(0, 0xFFFF), contents)
garbage = st.binary(min_size=1, max_size=40).map(lambda data: data.replace(b"\0", b"\1"))


def cut_at(data: bytes, places: list[int]) -> list[bytes]:
    marks = [0, *sorted(place % (len(data) + 1) for place in places), len(data)]
    return [data[start:end] for start, end in pairwise(marks)]


@given(frames)
def test_a_frame_comes_back_as_it_was(frame: Frame) -> None:
    wire = encode_frame(frame)
    assert wire.index(0) == len(wire) - 1
    assert len(wire) <= ENCODED_MAX + 1
    assert decode_body(wire[:-1]) == frame


@given(frames)
def test_the_body_is_header_content_and_the_crc_of_another_library(frame: Frame) -> None:
    body = cobs.decode(encode_frame(frame)[:-1])
    assert body[0] == (frame.kind << 5) + frame.number
    assert body[1:3] == frame.session.to_bytes(2, "little")
    assert body[3:-4] == frame.content
    assert int.from_bytes(body[-4:], "little") == Crc32.calc(body[:-4])


@given(st.lists(st.tuples(frames, st.booleans()), max_size=5), st.lists(st.integers(0, 10_000), max_size=12))
def test_frames_arrive_whole_however_the_line_cuts(
    items: list[tuple[Frame, bool]], places: list[int]
) -> None:
    stream = b"".join((b"\0" if empty else b"") + encode_frame(frame) for frame, empty in items)
    reader = FrameReader()
    found = [frame for piece in cut_at(stream, places) for frame in reader.feed(piece)]
    assert found == [frame for frame, _ in items]
    assert reader.damaged == 0


@given(st.lists(st.tuples(garbage, frames), max_size=4), st.lists(st.integers(0, 10_000), max_size=12))
def test_garbage_between_frames_costs_only_itself(
    items: list[tuple[bytes, Frame]], places: list[int]
) -> None:
    stream = b"".join(noise + b"\0" + encode_frame(frame) for noise, frame in items)
    reader = FrameReader()
    found = [frame for piece in cut_at(stream, places) for frame in reader.feed(piece)]
    assert [frame for frame in found if frame is not None] == [frame for _, frame in items]
    assert reader.damaged == found.count(None) == len(items)


@given(st.lists(st.binary(max_size=200), max_size=30))
def test_noise_never_raises_and_is_not_kept(pieces: list[bytes]) -> None:
    reader = FrameReader()
    for piece in pieces:
        reader.feed(piece)
        assert len(reader._partial) <= ENCODED_MAX


def test_an_endless_frame_keeps_nothing_and_counts_once() -> None:
    reader = FrameReader()
    for _ in range(500):
        assert reader.feed(b"\x55" * 100) == []
        assert len(reader._partial) <= ENCODED_MAX
    assert reader.feed(b"\0") == [None]
    assert reader.damaged == 1
    good = Frame(Kind.ACCEPT, 3, 9, b"\0\0")
    assert reader.feed(encode_frame(good)) == [good]


@pytest.mark.parametrize(
    "content", [b"", b"\x00\x00", b"\x20\x01\x00\x00\x01\x00\x00\x00\xde\xad", bytes(300)]
)
def test_no_flipped_bit_yields_another_frame(content: bytes) -> None:
    """CRC-32 finds every single flipped bit of a body; one in a COBS code byte moves zeros about."""
    wire = encode_frame(Frame(Kind.REQUEST, 5, 0x1234, content))
    for place in range(len(wire) * 8):
        damaged = bytearray(wire)
        damaged[place // 8] ^= 1 << place % 8
        found = FrameReader().feed(bytes(damaged) + b"\0")
        assert found
        assert not any(found), f"bit {place} is not noticed"


@given(frames, st.integers(0, 2000), st.integers(1, 30))
def test_bytes_that_vanish_are_noticed(frame: Frame, place: int, count: int) -> None:
    wire = encode_frame(frame)
    at = place % (len(wire) - 1)
    damaged = wire[:at] + wire[at + count :]
    assert not any(FrameReader().feed(damaged + b"\0"))


@pytest.mark.parametrize(
    "frame",
    [
        Frame(Kind.ACCEPT, 32, 0, b""),
        Frame(Kind.ACCEPT, -1, 0, b""),
        Frame(Kind.ACCEPT, 0, 0x10000, b""),
        Frame(Kind.ACCEPT, 0, -1, b""),
        Frame(Kind.DATA, 0, 0, bytes(CONTENT_MAX + 1)),
    ],
)
def test_our_own_mistakes_raise(frame: Frame) -> None:
    with pytest.raises(ValueError, match="outside the limits"):
        encode_frame(frame)


def test_a_body_beyond_the_limit_is_damaged_whatever_its_crc() -> None:
    body = bytes(BODY_MAX - 3)
    whole = body + Crc32.calc(body).to_bytes(4, "little")
    assert len(whole) == BODY_MAX + 1
    assert decode_body(cobs.encode(whole)) is None


def test_the_longest_frame_is_taken_cut_before_its_delimiter() -> None:
    # 1063 bytes without a zero: a byte more for each 254 of them (Cheshire and Baker, 1999), 1068 in all.
    frame = Frame(Kind.REQUEST, 1, 0x0101, b"\x01" * CONTENT_MAX)
    encoded = encode_frame(frame)
    reader = FrameReader()
    assert reader.feed(encoded[:-1]) == []
    assert reader.feed(encoded[-1:]) == [frame]
    assert reader.damaged == 0


def test_what_is_a_byte_longer_than_any_frame_is_dropped_to_its_delimiter() -> None:
    reader = FrameReader()
    assert reader.feed(b"\x01" * ENCODED_MAX) == []
    assert reader.feed(b"\x01") == []
    sound = Frame(Kind.REQUEST, 1, 1, b"\x17")
    assert reader.feed(b"\x00" + encode_frame(sound)) == [None, sound]
