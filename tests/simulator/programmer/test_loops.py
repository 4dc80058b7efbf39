"""What the loops do to a chip, word by word, and how long they take."""

import zlib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.descriptor import Loop, LoopKind, SequenceId
from protocol.messages import BlankResult, Copy, Erase, Fill, Program, ProgramResult, Range, Read, Sequence
from protocol.wire import EraseScope, Kind, Mode, Opcode, Pass, Status
from tests.support.device_rig import PULSE_NS, FakeBus, Got, Rig, make_part, make_self_timed

NONE = 0xFFFF_FFFF
VERIFY_EACH = Loop(LoopKind.VERIFY_EACH_PULSE, PULSE_NS, 25, 0)
WITH_OVERPROGRAM = Loop(LoopKind.VERIFY_EACH_PULSE, PULSE_NS, 25, 3)
FIRST_PASS = Loop(LoopKind.FIRST_PASS_THEN_VERIFY, PULSE_NS, 10, 0)
PULSE_S = PULSE_NS / 1e9


def ready(loop: Loop, bus: FakeBus | None = None) -> Rig:
    rig = Rig(bus=bus)
    rig.ready(make_part(loop=loop))
    return rig


def program(rig: Rig, data: bytes, which: Pass = Pass.FULL, *, op: int = 1, address: int = 0) -> Got:
    return rig.run(Opcode.PROGRAM, Program(op, address, which, data))


def test_verify_each_pulse_stops_at_the_first_right_read() -> None:
    rig = ready(VERIFY_EACH, FakeBus(needs={1: 3}))
    got = program(rig, b"\x10\x20\x30")
    assert got.detail == ProgramResult(3, 5, 3, NONE, 0, 0)
    assert rig.bus.pulses[:4].tolist() == [1, 3, 1, 0]
    assert rig.bus.cells[:4].tolist() == [0x10, 0x20, 0x30, 0xFF]


def test_an_erased_word_of_a_clear_only_part_is_verified_and_not_pulsed() -> None:
    rig = ready(VERIFY_EACH)
    assert program(rig, b"\xff\x00\xff").detail == ProgramResult(3, 1, 1, NONE, 0, 0)
    assert rig.bus.pulses[:3].tolist() == [0, 1, 0]
    rig.bus.cells[2] = 0x7F
    got = program(rig, b"\xff\x00\xff", op=2)
    assert (got.status, got.detail.failed_address) == (Status.PROGRAM_FAILED, 2)
    assert (got.detail.wanted, got.detail.got) == (0xFF, 0x7F)


def test_the_overprogram_pulse_is_a_multiple_of_the_pulses_used() -> None:
    rig = ready(WITH_OVERPROGRAM, FakeBus(needs={1: 4}))
    assert program(rig, b"\x00\x00").detail == ProgramResult(2, 5, 4, NONE, 0, 0)
    # n pulses and one of 3 n: 1 + 3 and 4 + 12 pulse times.
    assert rig.bus.seconds[:2] / PULSE_S == pytest.approx([4, 16])


def test_first_pass_pulses_once_unverified_then_the_verify_pass_finishes() -> None:
    rig = ready(FIRST_PASS, FakeBus(needs={1: 3}))
    assert program(rig, b"\x00\x00\xff", Pass.FIRST).detail == ProgramResult(3, 2, 1, NONE, 0, 0)
    assert rig.bus.cells[:3].tolist() == [0, 0xFF, 0xFF]
    assert program(rig, b"\x00\x00\xff", Pass.VERIFY, op=2).detail == ProgramResult(3, 2, 2, NONE, 0, 0)
    assert rig.bus.cells[:3].tolist() == [0, 0, 0xFF]
    assert rig.bus.pulses[:3].tolist() == [1, 3, 0]


def test_the_verify_pass_has_its_own_limit() -> None:
    rig = ready(FIRST_PASS, FakeBus(needs={1: 99}))
    got = program(rig, b"\x00\x00\x00", Pass.VERIFY)
    assert (got.status, got.detail) == (
        Status.PROGRAM_FAILED,
        ProgramResult(1, 11, 10, 1, 0, 0xFF),
    )


def test_resume_tops_up_what_reads_right_and_programs_what_does_not() -> None:
    rig = ready(WITH_OVERPROGRAM, FakeBus(needs={1: 2}))
    rig.bus.cells[0] = 0x12
    got = program(rig, b"\x12\x34\xff", Pass.RESUME)
    assert got.detail == ProgramResult(3, 2, 2, NONE, 0, 0)
    # Word 0 reads right: the overprogram pulse of one pulse; word 1: two pulses and one of six; word 2: none.
    assert rig.bus.seconds[:3] / PULSE_S == pytest.approx([3, 8, 0])


def test_resume_of_a_loop_without_overprogram_leaves_right_words_alone() -> None:
    for loop in (VERIFY_EACH, FIRST_PASS):
        rig = ready(loop)
        rig.bus.cells[:2] = 0x12
        assert program(rig, b"\x12\x12\x34", Pass.RESUME).detail == ProgramResult(3, 1, 1, NONE, 0, 0)
        assert rig.bus.pulses[:3].tolist() == [0, 0, 1]


def test_a_failed_word_ends_the_request_where_it_stands() -> None:
    rig = ready(VERIFY_EACH, FakeBus(needs={2: 99, 5: 99}))
    got = program(rig, bytes(8), address=0)
    assert got.detail == ProgramResult(2, 27, 25, 2, 0, 0xFF)
    assert rig.bus.pulses[:8].tolist() == [1, 1, 25, 0, 0, 0, 0, 0], "words after it were not touched"


@given(
    needs=st.lists(st.integers(1, 12), min_size=1, max_size=40),
    data=st.data(),
)
def test_a_block_at_once_does_what_word_by_word_does(needs: list[int], data: st.DataObject) -> None:
    """The arrays against the loop as a data sheet draws it, in plain Python."""
    words = data.draw(st.binary(min_size=len(needs), max_size=len(needs)))
    limit = data.draw(st.integers(1, 10))
    rig = ready(
        replace(VERIFY_EACH, max_pulses=limit, overprogram_factor=1), FakeBus(needs=dict(enumerate(needs)))
    )
    got = program(rig, words)
    seconds, pulses, done, failed = [0] * len(needs), 0, 0, None
    for place, (word, needed) in enumerate(zip(words, needs, strict=True)):
        used = 0
        if word != 0xFF:
            while used < limit and used < needed:
                used += 1
            seconds[place] = used if used < needed else 2 * used
        pulses += used
        if word != 0xFF and used < needed:
            failed = place
            break
        done += 1
    assert (got.detail.words, got.detail.pulses) == (done, pulses)
    assert got.detail.failed_address == (NONE if failed is None else failed)
    assert rig.bus.seconds[: len(needs)] / PULSE_S == pytest.approx(seconds)


class SharedCells(FakeBus):
    """Two addresses that reach one cell, as with a folded address pin: the upper half aliases the lower."""

    def pulse(self, addresses, words, rails, width_s):
        for address, word in zip(addresses.tolist(), words.tolist(), strict=True):
            super().pulse(np.array([address % 4]), np.array([word], np.uint16), rails, width_s)

    def read(self, mode, addresses, rails):
        return super().read(mode, addresses % 4, rails)

    def snapshot(self, addresses):
        return super().snapshot(addresses % 4)


def test_aliased_words_fail_where_the_board_meets_them() -> None:
    rig = ready(VERIFY_EACH, SharedCells())
    got = program(rig, b"\xf0\xf0\xf0\xf0\xf0\xf0\x0f\xf0")
    # Word by word: 0 to 5 read right; word 6 finds cell 2 at 0xF0 and clears all of it.
    assert (got.status, got.detail.words, got.detail.failed_address) == (Status.PROGRAM_FAILED, 6, 6)
    assert (got.detail.wanted, got.detail.got) == (0x0F, 0x00)


# FILL and COPY


def test_fill_and_copy_run_the_same_loop() -> None:
    rig = ready(VERIFY_EACH)
    assert rig.run(Opcode.FILL, Fill(1, 4, 2000, Pass.FULL, 0x5A)).detail == ProgramResult(
        2000, 2000, 1, NONE, 0, 0
    )
    assert (rig.bus.cells[4:2004] == 0x5A).all()
    rig.bus.cells[0:4] = [1, 2, 3, 0xFF]
    assert rig.run(Opcode.COPY, Copy(2, 2040, 4, Pass.FULL, 0)).detail == ProgramResult(4, 3, 1, NONE, 0, 0)
    assert rig.bus.cells[2040:2044].tolist() == [1, 2, 3, 0xFF]


# Time


@pytest.mark.parametrize(
    ("loop", "needs", "pulses_each"),
    [(VERIFY_EACH, 1, 1), (VERIFY_EACH, 3, 3), (WITH_OVERPROGRAM, 2, 2 + 6)],
)
def test_programming_takes_pulses_and_the_stated_extra_time(loop: Loop, needs: int, pulses_each: int) -> None:
    rig = ready(loop, FakeBus(needs=dict.fromkeys(range(512), needs)))
    begun_s = rig.now_s
    program(rig, bytes(512))
    timing = rig.profile.identity.timing
    each_s = (
        pulses_each * PULSE_S + (timing.program_ns_per_word + (needs - 1) * timing.read_ns_per_word) / 1e9
    )
    assert rig.now_s - begun_s == pytest.approx(512 * each_s, rel=1e-6)


def test_reading_takes_the_stated_time_per_word() -> None:
    rig = ready(VERIFY_EACH)
    for opcode, message in (
        (Opcode.READ, Read(0, 2048, Mode.READ, 6250, 256)),
        (Opcode.BLANK, Range(0, 2048, Mode.READ, 6250)),
        (Opcode.DIGEST, Range(0, 2048, Mode.READ, 6250)),
    ):
        begun_s = rig.now_s
        rig.run(opcode, message)
        assert rig.now_s - begun_s == pytest.approx(2048 * 1e-6)


# Looking


def test_read_streams_numbered_blocks_and_their_crc() -> None:
    rig = ready(VERIFY_EACH)
    content = np.random.default_rng(1).bytes(1000)
    rig.bus.cells[100:1100] = np.frombuffer(content, np.uint8)
    result = rig.run(Opcode.READ, Read(100, 1000, Mode.READ, 6250, 96))
    assert (result.detail.count, result.detail.crc) == (1000, zlib.crc32(content))
    blocks = [frame.content for frame in rig.frames if frame.kind is Kind.DATA]
    assert [int.from_bytes(block[:2], "little") for block in blocks] == list(range(11))
    assert b"".join(block[2:] for block in blocks) == content


def test_read_waits_for_whoever_takes_its_output() -> None:
    rig = ready(VERIFY_EACH)
    rig.device.receive(rig.request_frame(Opcode.READ, Read(0, 2048, Mode.READ, 6250, 64)), rig.now_s)
    assert rig.profile.tx_bytes == 2048
    rig.device.receive(b"", rig.now_s + 0.5)
    waiting = rig.device.take_output(rig.now_s + 0.5)
    assert len(waiting) < 2048 + 400, "no more than a chunk is held, with its frames' heads"
    rig.now_s += 0.5
    rig.advance(0.1)
    assert rig.frames[-1].kind is Kind.RESULT


def test_blank_counts_bits_and_names_the_first_word() -> None:
    rig = ready(VERIFY_EACH)
    assert rig.run(Opcode.BLANK, Range(0, 2048, Mode.READ, 6250)).detail == BlankResult(0, NONE, 0)
    rig.bus.cells[700] = 0xF0
    rig.bus.cells[1500] = 0xFE
    assert rig.run(Opcode.BLANK, Range(0, 2048, Mode.READ, 6250)).detail == BlankResult(5, 700, 0xF0)
    assert rig.run(Opcode.BLANK, Range(701, 100, Mode.READ, 6250)).detail == BlankResult(0, NONE, 0)


def test_digest_is_the_crc_of_the_bytes() -> None:
    rig = ready(VERIFY_EACH)
    # The check value of CRC-32/ISO-HDLC (SPEC.md section 2).
    rig.bus.cells[10:19] = list(b"123456789")
    assert rig.run(Opcode.DIGEST, Range(10, 9, Mode.READ, 6250)).detail.crc == 0xCBF43926


# Parts that time themselves


@pytest.mark.parametrize("kind", [LoopKind.BYTE_WRITE, LoopKind.PAGE_WRITE, LoopKind.COMMAND])
def test_self_timed_writes_are_polled_and_read_back(kind: LoopKind) -> None:
    rig = Rig()
    rig.ready(make_self_timed(kind), vcc_mv=5000, vpp_mv=0)
    begun_s = rig.now_s
    got = program(rig, bytes(range(10, 20)), address=64)
    assert got.detail == ProgramResult(10, 10, 1, NONE, 0, 0)
    assert rig.bus.cells[64:74].tolist() == list(range(10, 20))
    cycles = 1 if kind is LoopKind.PAGE_WRITE else 10
    # The chip needs 4 ms a cycle, and that is waited for, not the longest 10 ms.
    assert rig.now_s - begun_s == pytest.approx(cycles * 0.004, rel=0.02)
    if kind is LoopKind.COMMAND:
        assert [write[1:] for write in rig.bus.writes[:2]] == [(0x555, 0xA0), (64, 10)]


def test_a_program_must_not_cross_a_page_but_a_fill_may() -> None:
    rig = Rig()
    rig.ready(make_self_timed(LoopKind.PAGE_WRITE), vcc_mv=5000, vpp_mv=0)
    assert program(rig, bytes(64), address=1).status is Status.PAGE_CROSSING
    assert rig.bus.writes == []
    assert program(rig, bytes(63), address=1).status is Status.OK
    assert rig.run(Opcode.FILL, Fill(2, 60, 70, Pass.FULL, 7)).detail.words == 70


def test_a_part_that_refuses_to_be_written_fails_at_the_read_back() -> None:
    rig = Rig(bus=FakeBus(refuses_writes=True))
    rig.ready(make_self_timed(LoopKind.PAGE_WRITE), vcc_mv=5000, vpp_mv=0)
    got = program(rig, b"\xff\xff\x12", address=64)
    assert (got.status, got.detail.words, got.detail.failed_address) == (Status.PROGRAM_FAILED, 2, 66)
    assert (got.detail.wanted, got.detail.got) == (0x12, 0xFF)


def test_a_write_that_never_ends_times_out() -> None:
    rig = Rig(bus=FakeBus(cycle_s=1.0))
    rig.ready(make_self_timed(LoopKind.BYTE_WRITE), vcc_mv=5000, vpp_mv=0)
    got = program(rig, b"\x01\x02")
    assert (got.status, got.detail.words, got.detail.pulses) == (Status.TIMED_OUT, 0, 1)


@pytest.mark.parametrize(
    ("scope", "took_ms", "address"), [(EraseScope.CHIP, 20, 0x555), (EraseScope.SECTOR, 20, 1024)]
)
def test_erase_waits_for_the_end(scope: EraseScope, took_ms: int, address: int) -> None:
    rig = Rig(bus=FakeBus(cycle_s=took_ms / 1000))
    rig.ready(make_self_timed(LoopKind.COMMAND), vcc_mv=5000, vpp_mv=0)
    got = rig.run(Opcode.ERASE, Erase(1, scope, 1100))
    assert (got.status, got.detail.took_ms) == (Status.OK, took_ms)
    assert rig.bus.writes[0][1] == address, "a sector is named by its first word"


def test_erase_that_takes_too_long_times_out_with_the_time() -> None:
    rig = Rig(bus=FakeBus(cycle_s=3.0))
    rig.ready(make_self_timed(LoopKind.COMMAND), vcc_mv=5000, vpp_mv=0)
    got = rig.run(Opcode.ERASE, Erase(1, EraseScope.CHIP, 0))
    assert (got.status, got.detail.took_ms) == (Status.TIMED_OUT, 100)


def test_a_plain_sequence_waits_one_write_cycle() -> None:
    rig = Rig()
    rig.ready(make_self_timed(LoopKind.PAGE_WRITE), vcc_mv=5000, vpp_mv=0)
    begun_s = rig.now_s
    assert rig.run(Opcode.SEQUENCE, Sequence(1, SequenceId.UNLOCK)).status is Status.OK
    assert rig.now_s - begun_s == pytest.approx(0.010, rel=0.01)
    for other in (SequenceId.CHIP_ERASE, SequenceId.LOCK, 99):
        assert rig.run(Opcode.SEQUENCE, Sequence(2, other)).status is Status.CANNOT
