"""The virtual programmer at modelled chips: whole parts of the catalogue through wire, supplies and pins."""

import time
import zlib
from dataclasses import replace

import numpy as np
import pytest

from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.programmers.fitting import describe, fit_directly
from protocol.descriptor import LoopKind, PartDescriptor
from protocol.messages import Erase, Fill, Nothing, Program, Range, Read, Sequence
from protocol.wire import EraseScope, Fault, Kind, Mode, Opcode, Pass, PinState, Status
from simulator.programmer import Profile, VirtualProgrammer, full, modest
from simulator.socket import Socket
from simulator.stock import Stock, demo_content, make_socket
from simulator.supplies import SupplyName, SupplyTrouble
from tests.support.device_rig import Got, Rig

PARTS = Catalogue()


class ChipRig(Rig):
    """A raw host at a board with a modelled chip."""

    def __init__(
        self, part_id: str, stock: Stock = Stock.BLANK, profile: Profile | None = None, **options: object
    ) -> None:
        super().__init__(profile)
        self.chip_part: Part = PARTS.get(part_id)
        self.profile = profile or full("rig")
        self.socket: Socket = make_socket(
            self.chip_part, stock, 1, socket_pins=self.profile.identity.socket_pins
        )
        self.device = VirtualProgrammer(self.profile, self.socket, **options)  # type: ignore[arg-type]
        self.part: PartDescriptor = describe(
            fit_directly(self.chip_part, self.profile.identity), self.profile.identity
        )

    @property
    def programs_at(self) -> tuple[int, int]:
        """VCC and VPP for programming, mV; self-timed parts are written at the read supply."""
        supplies = self.part.supplies
        pulsed = self.part.loop.kind in (LoopKind.VERIFY_EACH_PULSE, LoopKind.FIRST_PASS_THEN_VERIFY)
        if not pulsed:
            return supplies.vcc_read_mv, 0
        return supplies.vcc_program_mv, supplies.vpp_program_mv

    def program_all(self, content: bytes) -> tuple[int, Got | None]:
        """Run the part's loop over a content, two requests in flight; return pulses and the failure."""
        passes = {LoopKind.FIRST_PASS_THEN_VERIFY: (Pass.FIRST, Pass.VERIFY)}
        size = min(self.profile.limits.max_payload, 1024)
        if self.part.loop.kind is LoopKind.PAGE_WRITE and self.part.page:
            size = self.part.page.words * (self.part.geometry.width_bits // 8)
        op = pulses = 0
        for which in passes.get(self.part.loop.kind, (Pass.FULL,)):
            for at in range(0, len(content), size):
                op += 1
                address = at // (self.part.geometry.width_bits // 8)
                got = self.run(Opcode.PROGRAM, Program(op, address, which, content[at : at + size]))
                if got.status is not Status.OK:
                    return pulses, got
                pulses += got.detail.pulses
        return pulses, None

    def read_all(self, vcc_mv: int) -> bytes:
        """Read the whole chip."""
        words = self.part.geometry.size_words
        block = self.profile.limits.max_payload
        self.frames.clear()
        result = self.run(Opcode.READ, Read(0, words, Mode.READ, vcc_mv, block))
        assert result.status is Status.OK
        data = b"".join(frame.content[2:] for frame in self.frames if frame.kind is Kind.DATA)
        assert zlib.crc32(data) == result.detail.crc
        self.frames.clear()
        return data


def content_of(part: Part) -> bytes:
    return demo_content(part, 7).astype("<u2" if part.word_bytes == 2 else "u1").tobytes()


#: A verify-each-pulse part, one with overprogram, a first-pass part, one with 50 ms pulses, a byte- and a
#: page-write EEPROM, a flash.
SMALL = (
    "st-m27c64a",
    "st-m27256",
    "atmel-at27c256r",
    "st-m2716",
    "atmel-at28c64",
    "atmel-at28c256",
    "sst-39sf010a",
)


@pytest.mark.no_cover
@pytest.mark.parametrize("part_id", SMALL)
def test_a_whole_part_is_programmed_and_read_back(part_id: str) -> None:
    rig = ChipRig(part_id)
    content = content_of(rig.chip_part)
    rig.ready(rig.part, *rig.programs_at)
    pulses, failure = rig.program_all(content)
    assert failure is None
    assert pulses >= 0.9 * rig.chip_part.words
    vcc_mv = rig.part.supplies.vcc_read_mv
    assert rig.apply(vcc_mv, 0).status is Status.OK
    assert rig.read_all(vcc_mv) == content
    digest = rig.run(Opcode.DIGEST, Range(0, rig.chip_part.words, Mode.READ, vcc_mv))
    assert digest.detail.crc == zlib.crc32(content)


def test_a_word_wide_part_is_filled_and_counted() -> None:
    rig = ChipRig("amd-am27c1024")
    rig.ready(rig.part, *rig.programs_at)
    assert rig.run(Opcode.FILL, Fill(1, 0, 4096, Pass.FULL, 0xA55A)).status is Status.OK
    rig.apply(5000, 0)
    blank = rig.run(Opcode.BLANK, Range(0, 65536, Mode.READ, 5000)).detail
    assert (blank.bits, blank.first_address, blank.got) == (4096 * 8, 0, 0xA55A)


@pytest.mark.parametrize(
    ("part_id", "sheet_s"),
    # Whole-chip programming times as the data sheets state them (facts/chips.md section 3.1): M27C512 6.5 s,
    # 27C011's and others' overhead aside; M27C256B 3.5 s and M27C1001 13 s from memory there.
    [("st-m27c512", 6.5), ("st-m27c256b", 3.5), ("st-m27c1001", 13.0)],
)
def test_whole_chip_times_are_those_of_the_data_sheets(part_id: str, sheet_s: float) -> None:
    rig = ChipRig(part_id)
    rig.ready(rig.part, *rig.programs_at)
    begun_s = rig.now_s
    _, failure = rig.program_all(content_of(rig.chip_part))
    assert failure is None
    # Our figure has the board's 2 µs a word, verifies and a few second pulses in it.
    assert rig.now_s - begun_s == pytest.approx(sheet_s, rel=0.08)


def test_a_signature_is_read_by_id_voltage_and_by_command() -> None:
    for part_id in ("st-m27c512", "sst-39sf010a"):
        rig = ChipRig(part_id)
        rig.ready(rig.part, 5000, 0)
        rig.run(Opcode.BLANK, Range(0, 16, Mode.READ, 5000))
        got = rig.run(Opcode.IDENTIFY, Nothing())
        assert (got.detail.maker, got.detail.device) == (
            rig.chip_part.signature.maker,
            rig.chip_part.signature.device,
        )
        assert rig.run(Opcode.READ, Read(0, 4, Mode.READ, 5000, 4)).status is Status.OK
        assert rig.frames[-2].content[2:] == b"\xff" * 4, "and the part is back in its read mode"


def test_flash_is_erased_and_a_locked_part_unlocked() -> None:
    rig = ChipRig("sst-39sf010a", Stock.USED)
    rig.ready(rig.part, 5000, 0)
    assert rig.run(Opcode.BLANK, Range(0, 4096, Mode.READ, 5000)).detail.bits > 0
    got = rig.run(Opcode.ERASE, Erase(1, EraseScope.SECTOR, 5000))
    assert got.status is Status.OK
    sector = rig.part.erase.sector_words if rig.part.erase else 0
    assert rig.run(Opcode.BLANK, Range(sector, sector, Mode.READ, 5000)).detail.bits == 0
    assert rig.run(Opcode.BLANK, Range(0, sector, Mode.READ, 5000)).detail.bits > 0
    assert rig.run(Opcode.ERASE, Erase(2, EraseScope.CHIP, 0)).status is Status.OK
    assert rig.run(Opcode.BLANK, Range(0, rig.chip_part.words, Mode.READ, 5000)).detail.bits == 0

    rig = ChipRig("atmel-at28c256", Stock.LOCKED)
    rig.ready(rig.part, 5000, 0)
    before = rig.read_all(5000)
    data = bytes(64)
    refused = rig.run(Opcode.PROGRAM, Program(1, 0, Pass.FULL, data))
    assert refused.status is Status.PROGRAM_FAILED
    assert rig.read_all(5000) == before
    assert rig.run(Opcode.SEQUENCE, Sequence(2, 6)).status is Status.OK
    assert rig.run(Opcode.PROGRAM, Program(3, 0, Pass.FULL, data)).status is Status.OK
    assert rig.read_all(5000)[:64] == data


def contact_of(rig: ChipRig) -> list[PinState]:
    rig.hello()
    rig.set_up(rig.part)
    states = rig.run(Opcode.CONTACT, Nothing()).detail
    assert states.pins == 48
    halves = [half for byte in states.states for half in (byte & 15, byte >> 4)]
    return [PinState(half) for half in halves[: states.pins]]


def test_the_pin_check_sees_a_sound_a_reversed_and_a_folded_chip() -> None:
    sound = contact_of(ChipRig("st-m27c512"))
    used = set(range(11, 39))
    assert all(sound[pin - 1] is PinState.CHIP for pin in used)
    assert all(sound[pin - 1] is PinState.OPEN for pin in set(range(1, 49)) - used)
    assert contact_of(ChipRig("st-m27c512", Stock.REVERSED)).count(PinState.REVERSED) > 10
    assert contact_of(ChipRig("st-m27c512", Stock.FOLDED)).count(PinState.CHIP) == 27
    assert set(contact_of(ChipRig("st-m27c512", Stock.NONE))) == {PinState.OPEN}


def test_a_reversed_chip_trips_the_current_limit_at_once() -> None:
    rig = ChipRig("st-m27c512", Stock.REVERSED)
    rig.hello()
    rig.set_up(rig.part)
    begun_s = rig.now_s
    got = rig.apply(5000, 0)
    assert (got.status, got.answer.faults) == (Status.OVER_CURRENT, Fault.VCC_OVER_CURRENT)
    assert rig.off
    assert rig.now_s - begun_s < 0.05


def test_an_empty_socket_looks_blank_and_does_not_echo_what_is_programmed() -> None:
    rig = ChipRig("st-m27c512", Stock.NONE)
    rig.ready(rig.part, *rig.programs_at)
    assert rig.run(Opcode.BLANK, Range(0, 1000, Mode.READ, 6250)).detail.bits == 0
    got = rig.run(Opcode.PROGRAM, Program(1, 0, Pass.FULL, bytes(range(100))))
    assert (got.status, got.detail.words, got.detail.got) == (Status.PROGRAM_FAILED, 0, 0xFF)


def test_a_stuck_bit_is_found_where_it_is() -> None:
    rig = ChipRig("st-m27c64a", Stock.STUCK)
    rig.ready(rig.part, *rig.programs_at)
    _, failure = rig.program_all(bytes(8192))
    assert failure is not None
    assert failure.status is Status.PROGRAM_FAILED
    detail = failure.detail
    assert (detail.got ^ detail.wanted).bit_count() == 1
    assert detail.most == rig.part.loop.max_pulses


def test_a_weak_programming_voltage_is_measured_or_fails_the_job() -> None:
    weak = {SupplyName.VPP: SupplyTrouble(ceiling_v=10.5)}
    rig = ChipRig("st-m27c512", troubles=weak)
    rig.hello()
    rig.set_up(rig.part)
    assert rig.apply(*rig.programs_at).status is Status.SUPPLY_OUT_OF_TOLERANCE
    # A board that does not measure gives the chip what there is, and the loop does not get there.
    profile = full()
    identity = replace(profile.identity, capabilities=profile.identity.capabilities & ~(4 | 8))
    blind = replace(
        profile,
        identity=identity,
        vcc=replace(profile.vcc, adc_step_mv=0),
        vpp=replace(profile.vpp, adc_step_mv=0),
    )
    rig = ChipRig("st-m27c512", profile=blind, troubles={SupplyName.VPP: SupplyTrouble(ceiling_v=9.0)})
    rig.ready(rig.part, *rig.programs_at)
    got = rig.run(Opcode.PROGRAM, Program(1, 0, Pass.FULL, bytes(64)))
    assert got.status is Status.PROGRAM_FAILED


def test_a_stopped_block_leaves_the_chip_as_it_was_from_the_next_word_on() -> None:
    rig = ChipRig("st-m27c512")
    rig.ready(rig.part, *rig.programs_at)
    rig.request(Opcode.PROGRAM, Program(1, 0, Pass.FULL, bytes(1024)))
    rig.advance(0.0301)
    rig.control(Opcode.ABORT)
    got = rig.advance(0.2)
    done = got[-1].detail.words
    assert 200 < done < 300
    rig.apply(5000, 0)
    data = rig.read_all(5000)
    assert set(data[:done]) == {0}
    assert set(data[done + 1 :]) == {0xFF}


def test_the_modest_board_programs_a_27c512_with_vpp_set_by_hand() -> None:
    profile = modest("hobby")
    rig = ChipRig("st-m27c512", profile=profile)
    # The job programs at this board's 5 V, with its user's consent, so the descriptor says so.
    rig.part = replace(rig.part, supplies=replace(rig.part.supplies, vcc_program_mv=5000))
    rig.hello()
    assert rig.set_up(rig.part).status is Status.OK
    assert rig.apply(5000, 12750).status is Status.NEEDS_CONFIRMATION
    rig.device.turn_trimmer(SupplyName.VPP, 12.7, rig.now_s)
    rig.run(Opcode.SUPPLY, b"\x02" + (5000).to_bytes(2, "little") + (12750).to_bytes(2, "little"))
    assert rig.apply(5000, 12750).detail.vpp_mv == 12700
    content = content_of(rig.chip_part)[:4096]
    _, failure = rig.program_all(content)
    assert failure is None
    rig.apply(5000, 0)
    assert rig.read_all(5000)[:4096] == content


@pytest.mark.no_cover
def test_a_32_mbit_part_takes_seconds_of_wall_time() -> None:
    rig = ChipRig("st-m27c322")
    rig.ready(rig.part, *rig.programs_at)
    content = np.random.default_rng(3).bytes(rig.chip_part.size_bytes // 8)
    begun_s = time.process_time()
    _, failure = rig.program_all(content)
    assert failure is None
    spent_s = time.process_time() - begun_s
    assert 8 * spent_s < 60, "the whole part within a minute, on a slow machine"
    rig.apply(5000, 0)
    assert rig.read_all(5000)[: len(content)] == content
