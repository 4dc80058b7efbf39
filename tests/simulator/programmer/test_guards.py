"""What the device refuses, and why: `SPEC.md` D22 to D30, one test for each with its number."""

from dataclasses import replace
from typing import Any

import pytest

from protocol.descriptor import (
    EraseTimes,
    Geometry,
    Loop,
    LoopKind,
    PartDescriptor,
    SequenceId,
    Signature,
    SignatureMethod,
    Tag,
    encode_descriptor,
)
from protocol.messages import (
    Copy,
    Erase,
    Fill,
    Nothing,
    Program,
    Range,
    Read,
    Sequence,
    Setup,
    SetupResult,
    Supply,
)
from protocol.records import pack_records, unpack_records
from protocol.wire import (
    Capability,
    EraseScope,
    Fault,
    Level,
    Mode,
    Opcode,
    Pass,
    Status,
    SupplyAction,
)
from simulator.programmer import full, modest
from simulator.programmer.profile import Profile
from tests.support.device_rig import Rig, make_part, make_self_timed


def without(profile: Profile, *capabilities: Capability) -> Profile:
    left = profile.identity.capabilities
    for capability in capabilities:
        left &= ~capability
    return replace(profile, identity=replace(profile.identity, capabilities=left))


def upload(part: PartDescriptor | bytes, profile: Profile | None = None) -> tuple[Status, SetupResult | None]:
    """Send a descriptor to a fresh device in one piece."""
    rig = Rig(profile)
    rig.hello()
    data = part if isinstance(part, bytes) else encode_descriptor(part)
    result = rig.run(Opcode.SETUP, Setup(1, len(data), 0, data))
    return result.status, result.detail if result.answer.detail else None


def index_of(part: PartDescriptor, tag: Tag, key: int | None = None) -> int:
    """Find a record's place by hand."""
    for index, (found, value) in enumerate(unpack_records(encode_descriptor(part))):
        if found == tag and (key is None or value[0] == key):
            return index
    raise AssertionError(f"no {tag}")


def supplies(**changes: int) -> PartDescriptor:
    part = make_part()
    return replace(part, supplies=replace(part.supplies, **changes))


def masked(**pins: set[int]) -> Profile:
    """Return the full board with fewer pins for some roles."""
    profile = full()
    return replace(
        profile,
        identity=replace(profile.identity, **{name: frozenset(some) for name, some in pins.items()}),
    )


EVERY = set(range(1, 49))


FEW_LOGIC = masked(drive_pins=EVERY - {5}, sense_pins=EVERY - {13})


FEW_SUPPLIES = masked(vpp_pins={26}, id_pins={9}, vcc_pins={48}, ground_pins={24})


PULSED_BY_ID = {**make_part().modes, Mode.SIGNATURE: (Level.LOW, Level.ID)}


@pytest.mark.parametrize(
    ("part", "profile", "tag", "key"),
    [
        (make_part(), FEW_LOGIC, Tag.ADDRESS_PINS, None),
        (make_part(address_pins=(1, 2, 3, 4, *range(27, 34))), FEW_LOGIC, Tag.DATA_PINS, None),
        (make_part(vcc_pins=(47,)), FEW_SUPPLIES, Tag.VCC_PINS, None),
        (make_part(ground_pins=(23,)), FEW_SUPPLIES, Tag.GROUND_PINS, None),
        (make_part(control_pins=(25, 49)), full(), Tag.CONTROL_PINS, None),
        (make_part(control_pins=(26, 27)), FEW_SUPPLIES, Tag.MODE, Mode.PROGRAM),
        (make_part(modes=PULSED_BY_ID), FEW_SUPPLIES, Tag.MODE,
            Mode.SIGNATURE),
        (supplies(vcc_program_mv=7300, vcc_max_mv=9000), full(), Tag.SUPPLIES, None),
        (supplies(vpp_program_mv=26300, vpp_max_mv=30000), full(), Tag.SUPPLIES, None),
        (supplies(id_mv=15500, id_max_mv=16000), full(), Tag.SUPPLIES, None),
        (make_part(loop=Loop(LoopKind.VERIFY_EACH_PULSE, 900, 25, 0)), full(), Tag.LOOP, None),
        (make_part(loop=Loop(LoopKind.VERIFY_EACH_PULSE, 530_000_000, 1, 0)), full(), Tag.LOOP, None),
        (make_part(loop=Loop(LoopKind.VERIFY_EACH_PULSE, 50_000_000, 25, 1)), full(), Tag.LOOP, None),
        (make_part(loop=Loop(LoopKind.VERIFY_EACH_PULSE, 100_000, 0, 0)), full(), Tag.LOOP, None),
        (make_part(), without(full(), Capability.LOOP_VERIFY_EACH), Tag.LOOP, None),
        (make_part(loop=Loop(LoopKind.VERIFY_EACH_PULSE, 100_000, 25, 3)),
            without(full(), Capability.OVERPROGRAM), Tag.LOOP, None),
        (make_part(loop=Loop(LoopKind.FIRST_PASS_THEN_VERIFY, 100_000, 10, 0)),
            without(full(), Capability.LOOP_FIRST_PASS), Tag.LOOP, None),
        (make_self_timed(LoopKind.BYTE_WRITE), without(full(), Capability.BYTE_WRITE), Tag.LOOP, None),
        (make_self_timed(LoopKind.PAGE_WRITE), without(full(), Capability.PAGE_WRITE), Tag.LOOP, None),
        (replace(make_self_timed(LoopKind.COMMAND), sequences={}, erase=None), full(), Tag.LOOP, None),
        (replace(make_self_timed(LoopKind.BYTE_WRITE), erase=None), without(full(), Capability.COMMANDS),
            Tag.SEQUENCE, SequenceId.PROGRAM),
        (replace(make_self_timed(LoopKind.BYTE_WRITE), sequences={}), without(full(), Capability.COMMANDS),
            Tag.ERASE, None),
        (make_part(), without(full(), Capability.ID_VOLTAGE), Tag.SIGNATURE, None),
        (make_part(signature=Signature(SignatureMethod.ID_VOLTAGE, 0, 2048)), full(), Tag.SIGNATURE, None),
    ],
)  # fmt: skip
def test_d22_what_cannot_be_honoured_is_named(
    part: PartDescriptor, profile: Profile, tag: Tag, key: int | None
) -> None:
    assert upload(part, profile) == (Status.CANNOT, SetupResult(tag, index_of(part, tag, key)))


@pytest.mark.parametrize(
    "changes",
    [{"vcc_read_mv": 7100}, {"vcc_program_mv": 7100}, {"vpp_program_mv": 14100}, {"id_mv": 13600}],
)
def test_d22_a_value_above_the_parts_maximum_is_a_limit(changes: dict[str, int]) -> None:
    part = supplies(**changes)
    assert upload(part) == (Status.LIMIT, SetupResult(Tag.SUPPLIES, index_of(part, Tag.SUPPLIES)))


def test_d22_an_unknown_record_is_refused_by_place() -> None:
    data = encode_descriptor(make_part()) + pack_records([(0x77, b"\x01")])
    count = len(list(unpack_records(data)))
    assert upload(data) == (Status.CANNOT, SetupResult(0x77, count - 1))


@pytest.mark.parametrize(
    "data",
    [
        encode_descriptor(make_part())[:-1],
        encode_descriptor(make_part(modes={Mode.READ: (Level.LOW,)})),
        encode_descriptor(make_part(geometry=replace(make_part().geometry, size_words=4096))),
        encode_descriptor(make_part(data_pins=(12, 13))),
        encode_descriptor(make_part(modes={**make_part().modes, Mode.READ: (Level.ADDRESS, Level.LOW)})),
        encode_descriptor(make_part(ground_pins=(48,))),
        pack_records([(Tag.GEOMETRY, b"\x08")]),
    ],
)
def test_d22_a_descriptor_that_contradicts_itself_is_malformed(data: bytes) -> None:
    assert upload(data) == (Status.MALFORMED, None)


def test_d22_fixed_wiring_is_compared() -> None:
    # The modest board's VCC pin for a 28-pin part is socket pin 30, and its ground 16.
    part = make_part(
        address_pins=(12, 11, 10, 9, 8, 7, 6, 5, 27, 26, 23),
        data_pins=(13, 14, 15, 17, 18, 19, 20, 21),
        control_pins=(22, 24),
        vcc_pins=(30,),
        ground_pins=(16,),
        signature=None,
    )
    at_5_v = replace(part, supplies=replace(part.supplies, vcc_program_mv=5000))
    assert upload(at_5_v, modest())[0] is Status.OK
    assert upload(part, modest()) == (Status.CANNOT, SetupResult(Tag.SUPPLIES, index_of(part, Tag.SUPPLIES)))
    elsewhere = replace(at_5_v, vcc_pins=(29,))
    assert upload(elsewhere, modest()) == (
        Status.CANNOT,
        SetupResult(Tag.VCC_PINS, index_of(elsewhere, Tag.VCC_PINS)),
    )


def test_d23_no_setup_while_a_supply_is_on() -> None:
    rig = Rig()
    rig.ready()
    data = encode_descriptor(make_part())
    assert rig.run(Opcode.SETUP, Setup(2, len(data), 0, data)).status is Status.WRONG_STATE
    assert rig.run(Opcode.READ, Read(0, 1, Mode.READ, 6250, 1)).status is Status.OK, "the part is still there"
    rig.request(Opcode.SUPPLY, Supply(SupplyAction.DISCHARGE, 0, 0))
    # The next request waits for the discharge, so it finds the supplies below half a volt.
    assert rig.run(Opcode.SETUP, Setup(2, len(data), 0, data)).status is Status.OK


def test_d23_a_half_sent_or_refused_descriptor_leaves_no_part() -> None:
    rig = Rig()
    rig.hello()
    data = encode_descriptor(make_part())
    assert rig.set_up().status is Status.OK
    assert rig.run(Opcode.SETUP, Setup(1, len(data), 0, data[:50])).detail == SetupResult(0, 0)
    assert rig.run(Opcode.CONTACT, Nothing()).status is Status.NO_SETUP
    assert rig.run(Opcode.SETUP, Setup(1, len(data), 50, data[50:])).status is Status.OK
    assert rig.run(Opcode.CONTACT, Nothing()).status is Status.OK
    refused = encode_descriptor(supplies(vcc_read_mv=9000))
    assert rig.run(Opcode.SETUP, Setup(1, len(refused), 0, refused)).status is Status.LIMIT
    assert rig.apply().status is Status.NO_SETUP


@pytest.mark.parametrize(
    ("piece", "status"),
    [
        (Setup(1, 100, 51, b"x" * 49), Status.MALFORMED),
        (Setup(2, 100, 50, b"x" * 50), Status.MALFORMED),
        (Setup(1, 101, 50, b"x" * 51), Status.MALFORMED),
        (Setup(1, 100, 50, b"x" * 51), Status.MALFORMED),
        (Setup(1, 1025, 0, b"x" * 51), Status.OUT_OF_RANGE),
    ],
)
def test_pieces_must_follow_one_another(piece: Setup, status: Status) -> None:
    rig = Rig()
    rig.hello()
    assert rig.run(Opcode.SETUP, Setup(1, 100, 0, b"x" * 50)).status is Status.OK
    assert rig.run(Opcode.SETUP, piece).status is status


def test_d24_the_part_outlives_hello_and_abort_not_a_reset() -> None:
    rig = Rig()
    rig.ready()
    rig.hello()
    rig.advance(0.2)
    rig.take_over(rig.frames)
    assert rig.apply().status is Status.OK
    rig.control(Opcode.ABORT)
    rig.advance(0.2)
    assert rig.apply().status is Status.OK
    rig.device.reset(rig.now_s)
    assert not rig.device.supplies.on
    rig.hello()
    rig.advance(0.2)
    rig.take_over(rig.frames)
    assert rig.apply().status is Status.NO_SETUP


def test_d30_no_word_gets_more_pulses_than_the_loop_allows() -> None:
    rig = Rig()
    rig.bus.needs = {3: 99}
    rig.ready(make_part(loop=Loop(LoopKind.VERIFY_EACH_PULSE, 100_000, 7, 0)))
    result = rig.run(Opcode.PROGRAM, Program(1, 0, Pass.FULL, bytes(8)))
    assert (result.status, result.detail.words, result.detail.most) == (Status.PROGRAM_FAILED, 3, 7)
    assert (result.detail.failed_address, result.detail.wanted, result.detail.got) == (3, 0, 0xFF)
    assert rig.bus.pulses[:5].tolist() == [1, 1, 1, 7, 0]


# Section 8: what must hold, in its order


def test_needs_are_checked_in_the_order_of_section_8() -> None:
    rig = Rig()
    rig.hello()
    program = Program(1, 5000, Pass.FULL, bytes(4))
    assert rig.run(Opcode.PROGRAM, program).status is Status.NO_SETUP
    rig.set_up()
    assert rig.run(Opcode.PROGRAM, program).status is Status.SUPPLY_NOT_SET
    rig.apply()
    assert rig.run(Opcode.PROGRAM, program).status is Status.OUT_OF_RANGE
    assert rig.run(Opcode.CONTACT, Nothing()).status is Status.WRONG_STATE
    rig.device.open_socket(rig.now_s)
    rig.advance(0.2)
    assert rig.device.faults is Fault.SOCKET_OPENED
    assert rig.run(Opcode.PROGRAM, program).status is Status.FAULTED
    assert rig.run(Opcode.READ, Read(0, 1, Mode.READ, 6250, 1)).status is Status.SUPPLY_NOT_SET
    assert rig.run(Opcode.CONTACT, Nothing()).status is Status.OK


@pytest.mark.parametrize(
    ("opcode", "message"),
    [
        (Opcode.READ, Read(2047, 2, Mode.READ, 6250, 16)),
        (Opcode.READ, Read(0, 0, Mode.READ, 6250, 16)),
        (Opcode.READ, Read(0, 16, Mode.READ, 6250, 0)),
        (Opcode.READ, Read(0, 16, Mode.READ, 6250, 1025)),
        (Opcode.READ, Read(0xFFFF_FFFF, 2, Mode.READ, 6250, 16)),
        (Opcode.BLANK, Range(2048, 1, Mode.READ, 6250)),
        (Opcode.DIGEST, Range(1, 2048, Mode.READ, 6250)),
        (Opcode.PROGRAM, Program(1, 2047, Pass.FULL, bytes(2))),
        (Opcode.PROGRAM, Program(1, 0, Pass.FULL, b"")),
        (Opcode.PROGRAM, Program(1, 0, Pass.FULL, bytes(1025))),
        (Opcode.FILL, Fill(1, 0, 2049, Pass.FULL, 0)),
        (Opcode.FILL, Fill(1, 0, 1, Pass.FULL, 0x100)),
        (Opcode.COPY, Copy(1, 0, 16, Pass.FULL, 2040)),
        (Opcode.COPY, Copy(1, 2040, 16, Pass.FULL, 0)),
    ],
)
def test_ranges_outside_the_part_are_refused(opcode: Opcode, message: Any) -> None:
    rig = Rig()
    rig.ready()
    assert rig.run(opcode, message).status is Status.OUT_OF_RANGE
    assert rig.bus.pulses.sum() == 0


def test_a_passes_place_is_in_its_own_loop() -> None:
    allowed = {
        LoopKind.VERIFY_EACH_PULSE: {Pass.FULL, Pass.RESUME},
        LoopKind.FIRST_PASS_THEN_VERIFY: {Pass.FIRST, Pass.VERIFY, Pass.RESUME},
    }
    for kind, passes in allowed.items():
        rig = Rig()
        rig.ready(make_part(loop=Loop(kind, 100_000, 10, 0)))
        for op, which in enumerate(Pass, 1):
            status = rig.run(Opcode.PROGRAM, Program(op, 0, which, bytes(4))).status
            assert (status is Status.CANNOT) is (which not in passes), (kind, which)
    for kind in (LoopKind.BYTE_WRITE, LoopKind.PAGE_WRITE, LoopKind.COMMAND):
        rig = Rig()
        rig.ready(make_self_timed(kind), vcc_mv=5000, vpp_mv=0)
        assert rig.run(Opcode.PROGRAM, Program(1, 0, Pass.RESUME, bytes(4))).status is Status.CANNOT
        assert rig.run(Opcode.PROGRAM, Program(1, 0, Pass.FULL, bytes(4))).status is Status.OK


def test_what_a_board_has_not_got_it_cannot() -> None:
    missing = (Capability.CONTACT, Capability.DIGEST, Capability.FILL, Capability.COPY)
    rig = Rig(without(full(), *missing))
    rig.ready(make_part(signature=None))
    for opcode, message in (
        (Opcode.DIGEST, Range(0, 4, Mode.READ, 6250)),
        (Opcode.FILL, Fill(1, 0, 4, Pass.FULL, 0)),
        (Opcode.COPY, Copy(1, 0, 4, Pass.FULL, 8)),
        (Opcode.IDENTIFY, Nothing()),
        (Opcode.ERASE, Erase(1, EraseScope.CHIP, 0)),
        (Opcode.SEQUENCE, Sequence(1, SequenceId.UNLOCK)),
    ):
        assert rig.run(opcode, message).status is Status.CANNOT, opcode
    rig.run(Opcode.SUPPLY, Supply(SupplyAction.DISCHARGE, 0, 0))
    assert rig.run(Opcode.CONTACT, Nothing()).status is Status.CANNOT


def test_an_erase_without_times_cannot() -> None:
    rig = Rig()
    rig.ready(replace(make_self_timed(LoopKind.COMMAND), erase=EraseTimes(0, 0, 100)), vcc_mv=5000, vpp_mv=0)
    assert rig.run(Opcode.ERASE, Erase(1, EraseScope.SECTOR, 0)).status is Status.CANNOT
    assert rig.run(Opcode.ERASE, Erase(1, EraseScope.CHIP, 0)).status is Status.OK


def test_words_of_16_bits_come_whole() -> None:
    part = make_part(
        geometry=Geometry(16, make_part().geometry.semantics, 1024, 0xFFFF, 100),
        address_pins=tuple(range(1, 11)),
        data_pins=(*range(12, 24), *range(27, 31)),
    )
    rig = Rig()
    rig.bus.cells[:] = 0xFFFF
    rig.ready(part)
    assert rig.run(Opcode.PROGRAM, Program(1, 0, Pass.FULL, b"\x01\x02\x03")).status is Status.MALFORMED
    assert rig.run(Opcode.PROGRAM, Program(1, 0, Pass.FULL, b"\x34\x12")).status is Status.OK
    assert rig.bus.cells[0] == 0x1234, "the low byte comes first"
    assert rig.run(Opcode.READ, Read(0, 2, Mode.READ, 6250, 3)).status is Status.OUT_OF_RANGE
