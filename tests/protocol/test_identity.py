"""The answer to HELLO: records there and back, and from hostile devices."""

import string
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.fields import MalformedError
from protocol.framing import CONTENT_MAX
from protocol.identity import (
    TEXT_MAX,
    Identity,
    SupplyRange,
    Timing,
    decode_identity,
    encode_identity,
    mask_to_pins,
    pins_to_mask,
)
from protocol.records import pack_records, unpack_records
from protocol.wire import Capability, SupplyKind

U16 = st.integers(0, 0xFFFF)
U32 = st.integers(0, 0xFFFF_FFFF)
texts = st.text(string.printable + "äµ²", max_size=TEXT_MAX // 2)
supplies = st.builds(SupplyRange, st.sampled_from(SupplyKind), U16, U16, U16, U16, U16)
timings = st.builds(Timing, U32, U32, U32, U32, U16, U16)


@st.composite
def identities(draw: st.DrawFn) -> Identity:
    pins = draw(st.integers(0, 255))
    masks = st.frozensets(st.integers(1, pins)) if pins else st.just(frozenset())
    return Identity(
        firmware=draw(texts),
        hardware=draw(texts),
        serial=draw(texts),
        capabilities=Capability(draw(U32)),
        socket_pins=pins,
        descriptor_max_bytes=draw(U16),
        drive_pins=draw(masks),
        sense_pins=draw(masks),
        vcc_pins=draw(masks),
        vpp_pins=draw(masks),
        id_pins=draw(masks),
        ground_pins=draw(masks),
        vcc=draw(supplies),
        vpp=draw(supplies),
        id=draw(supplies),
        timing=draw(timings),
    )


@given(identities())
def test_an_identity_comes_back_as_it_was_and_fits_a_frame(identity: Identity) -> None:
    records = encode_identity(identity)
    assert decode_identity(records) == identity
    # Opcode, status, faults and the fixed fields of the answer take 21 bytes.
    assert len(records) + 21 <= CONTENT_MAX


def test_the_longest_identity_fits_a_frame() -> None:
    every = frozenset(range(1, 256))
    longest = Identity("x" * 300, "x" * 300, "x" * 300, Capability(0), 255, 0, *[every] * 6)
    assert len(encode_identity(longest)) + 21 <= CONTENT_MAX


def test_missing_records_mean_none() -> None:
    assert decode_identity(b"") == Identity()


@given(st.integers(0, 255), st.binary(max_size=20))
def test_unknown_records_are_skipped(tag: int, value: bytes) -> None:
    known = {0x01, 0x02, 0x03, 0x04, 0x05, 0x06, *range(0x10, 0x16), 0x20, 0x21, 0x22, 0x30}
    if tag not in known:
        records = pack_records([(tag, value), (0x03, b"S1")])
        assert decode_identity(records) == Identity(serial="S1")


def test_a_longer_record_of_a_later_minor_is_understood() -> None:
    assert decode_identity(bytes.fromhex("05 03 1c aabb")).socket_pins == 28


@pytest.mark.parametrize(
    ("records", "words"),
    [
        ("01", "cut short"),
        ("01 05 41", "cut short"),
        ("01 02 c328", "firmware: no UTF-8 text"),
        ("05 00", "needs 1"),
        ("20 03 010203", "needs 11"),
        ("20 0b 09 0000 0000 0000 0000 0000", "kind: 9 is unknown"),
    ],
)
def test_records_that_cannot_be_are_malformed(records: str, words: str) -> None:
    with pytest.raises(MalformedError, match=words):
        decode_identity(bytes.fromhex(records))


@given(st.binary(max_size=300))
def test_garbage_is_understood_or_malformed(data: bytes) -> None:
    with suppress(MalformedError):
        decode_identity(data)


def test_a_long_text_is_cut_between_characters() -> None:
    records = encode_identity(Identity(serial="x" + "µ" * 40))
    assert decode_identity(records).serial == "x" + "µ" * 31


def test_pin_1_is_bit_0_of_the_first_byte() -> None:
    # By hand: pins 1 and 9 are bit 0 of the first two bytes, pin 28 bit 3 of the fourth.
    assert pins_to_mask(frozenset({1, 9, 28}), 28) == bytes.fromhex("01010008")
    assert mask_to_pins(bytes.fromhex("01010008")) == {1, 9, 28}


@pytest.mark.parametrize("pin", [0, 29, -3])
def test_a_pin_that_the_socket_lacks_is_our_mistake(pin: int) -> None:
    with pytest.raises(ValueError, match="socket of 28"):
        pins_to_mask(frozenset({pin}), 28)


@given(st.lists(st.tuples(st.integers(0, 255), st.binary(max_size=255)), max_size=8))
def test_records_come_back_as_they_were(records: list[tuple[int, bytes]]) -> None:
    assert list(unpack_records(pack_records(records))) == records


def test_a_record_has_255_bytes_at_most() -> None:
    with pytest.raises(ValueError, match="256 bytes, at most 255"):
        pack_records([(1, bytes(256))])
