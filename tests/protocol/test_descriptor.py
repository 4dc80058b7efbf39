"""Part descriptors there and back; garbage; what the law calls malformed."""

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.descriptor import (
    EraseTimes,
    Geometry,
    Loop,
    LoopKind,
    Page,
    PartDescriptor,
    Polling,
    Semantics,
    SequenceId,
    Signature,
    SignatureMethod,
    Step,
    StepAddress,
    StepData,
    Supplies,
    Tag,
    UnknownRecordError,
    decode_descriptor,
    encode_descriptor,
)
from protocol.fields import MalformedError
from protocol.records import pack_records, unpack_records
from protocol.wire import Level, Mode

U8 = st.integers(0, 0xFF)
U16 = st.integers(0, 0xFFFF)
U32 = st.integers(0, 0xFFFF_FFFF)
pins = st.lists(st.integers(1, 48), max_size=40).map(tuple)
steps = st.builds(Step, st.sampled_from(StepAddress), st.sampled_from(StepData), U32, U16)


@st.composite
def parts(draw: st.DrawFn) -> PartDescriptor:
    control = draw(st.lists(st.integers(1, 48), max_size=8).map(tuple))
    levels = st.tuples(*[st.sampled_from(Level)] * len(control))
    return PartDescriptor(
        geometry=draw(st.builds(Geometry, U8, st.sampled_from(Semantics), U32, U16, U16)),
        address_pins=draw(pins),
        data_pins=draw(pins),
        control_pins=control,
        vcc_pins=draw(pins),
        ground_pins=draw(pins),
        supplies=draw(st.builds(Supplies, *[U16] * 11)),
        loop=draw(st.builds(Loop, st.sampled_from(LoopKind), U32, U8, U8)),
        modes=draw(st.dictionaries(st.sampled_from(Mode), levels)),
        page=draw(st.none() | st.builds(Page, U16, U16, U32, st.sampled_from(Polling))),
        erase=draw(st.none() | st.builds(EraseTimes, U32, U32, U32)),
        signature=draw(st.none() | st.builds(Signature, st.sampled_from(SignatureMethod), U32, U32)),
        sequences=draw(
            st.dictionaries(st.sampled_from(SequenceId), st.lists(steps, max_size=8).map(tuple), max_size=3)
        ),
    )


def example() -> PartDescriptor:
    return PartDescriptor(
        geometry=Geometry(8, Semantics.CLEAR_ONLY, 1024, 0xFF, 200),
        address_pins=(10, 9),
        data_pins=(11, 12),
        control_pins=(20, 22),
        vcc_pins=(28,),
        ground_pins=(14,),
        supplies=Supplies(5000, 4500, 5500, 6250, 12750, 0, 250, 250, 7000, 14000, 0),
        loop=Loop(LoopKind.VERIFY_EACH_PULSE, 100_000, 25, 0),
        modes={Mode.READ: (Level.LOW, Level.LOW)},
    )


@given(parts())
def test_a_part_comes_back_as_it_was(part: PartDescriptor) -> None:
    assert decode_descriptor(encode_descriptor(part)) == part


@given(parts())
def test_records_stand_in_ascending_order(part: PartDescriptor) -> None:
    tags = [tag for tag, _ in unpack_records(encode_descriptor(part))]
    assert tags == sorted(tags)


@given(st.binary(max_size=300))
def test_garbage_is_malformed(data: bytes) -> None:
    with pytest.raises(MalformedError):
        decode_descriptor(data)


@given(parts(), st.integers(0, 5000), st.integers(0, 255))
def test_a_changed_byte_is_decoded_or_malformed(part: PartDescriptor, place: int, value: int) -> None:
    data = bytearray(encode_descriptor(part))
    data[place % len(data)] = value
    with suppress(MalformedError):
        decode_descriptor(bytes(data))


@pytest.mark.parametrize("tag", [tag for tag in Tag if tag <= Tag.LOOP])
def test_the_first_eight_records_must_be_there(tag: Tag) -> None:
    records = [item for item in unpack_records(encode_descriptor(example())) if item[0] != tag]
    with pytest.raises(MalformedError, match="lacks"):
        decode_descriptor(pack_records(records))


def test_an_unknown_record_is_named_with_its_place() -> None:
    records = list(unpack_records(encode_descriptor(example())))
    records.insert(3, (0x7F, b"?"))
    with pytest.raises(UnknownRecordError) as caught:
        decode_descriptor(pack_records(records))
    assert (caught.value.tag, caught.value.index) == (0x7F, 3)


@pytest.mark.parametrize("place", range(9))
def test_nothing_may_be_given_twice(place: int) -> None:
    records = list(unpack_records(encode_descriptor(example())))
    records.append(records[place])
    with pytest.raises(MalformedError, match="given twice"):
        decode_descriptor(pack_records(records))


@pytest.mark.parametrize("levels", [b"", b"\0", b"\0\0\0"])
def test_a_mode_has_a_level_for_each_control_pin(levels: bytes) -> None:
    records = [*unpack_records(encode_descriptor(example())), (Tag.MODE, b"\3" + levels)]
    with pytest.raises(MalformedError, match=r"mode VERIFY has \d levels for 2 control pins"):
        decode_descriptor(pack_records(records))


@pytest.mark.parametrize(
    ("tag", "value"),
    [
        (Tag.MODE, b""),
        (Tag.MODE, b"\x63\0\0"),
        (Tag.MODE, b"\3\0\x63"),
        (Tag.SEQUENCE, b""),
        (Tag.SEQUENCE, b"\x63"),
        (Tag.SEQUENCE, b"\1\0\0\0"),
        (Tag.PAGE, b"\1\0"),
    ],
)
def test_values_that_cannot_be_are_malformed(tag: Tag, value: bytes) -> None:
    records = [*unpack_records(encode_descriptor(example())), (tag, value)]
    with pytest.raises(MalformedError, match=tag.name):
        decode_descriptor(pack_records(records))
