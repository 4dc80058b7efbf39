"""That a block is given ahead of time at all, and where it must not be."""

from typing import Any

import numpy as np
import pytest

from protocol.messages import Fill, Program, ProgramResult
from protocol.wire import Opcode, Pass, Status
from simulator.bus import Bus
from tests.simulator.programmer.course_world import DIE_WORDS, EEPROM, FLASH, SST, ChipRig, World, agree


class CountingBus(Bus):
    """Pins that count the write cycles that are given one by one."""

    cycles = 0

    def write(self, *what: Any) -> None:
        self.cycles += 1
        super().write(*what)


def result_of(rig: ChipRig, request: Any) -> Any:
    return rig.run(Opcode[type(request).__name__.upper()], request)


# That the short way is taken, and where it must not be


@pytest.mark.parametrize(("part_id", "cycles"), [(FLASH, 3 * 4), (SST, 47 * 4), (EEPROM, 1)])
def test_only_the_first_unit_is_given_cycle_by_cycle(part_id: str, cycles: int) -> None:
    # A unit is what is surely written within a millisecond: 300, 20 and 1000 µs a word, 5 % granted.
    rig = World(part_id).rig(CountingBus)
    data = np.random.default_rng(4).bytes(1024)
    got = result_of(rig, Program(1, 0, Pass.FULL, data[: DIE_WORDS[part_id]]))
    assert (got.status, got.detail.words) == (Status.OK, min(1024, DIE_WORDS[part_id]))
    assert isinstance(rig.pins[-1], CountingBus)
    assert rig.pins[-1].cycles == cycles
    assert rig.socket.chip is not None
    rows = np.arange(got.detail.words, dtype=np.uint32)
    assert rig.socket.chip.cells.read(rows, 5.0).astype("u1").tobytes() == data[: len(rows)]


@pytest.mark.parametrize(
    "trouble",
    [
        {"stuck": (77, 3)},
        {"holds": 0x0F},
        {"chip_id": EEPROM},
        {"part_id": EEPROM, "chip_id": FLASH},
        # The longest that it may take is less than the longest that it takes, 900 µs.
        {"part_id": EEPROM, "cycle_us": 840},
        {"part_id": EEPROM, "die_words": 32},
    ],
)
def test_what_goes_wrong_goes_wrong_at_the_same_word(trouble: dict[str, Any]) -> None:
    data = bytes([0x0F] * 60) + bytes(range(100))
    for locked in (False, True):
        agree(World(locked=locked, **trouble), [Program(1, 30, Pass.FULL, data)])


def test_an_open_address_pin_disturbs_as_many_words() -> None:
    # A7, pin 3 of the 28C64. All words alike, so that only what follows shows which rows were met.
    world = World(EEPROM, holds=0x55, open_pin=3)
    agree(world, [Fill(1, 0, 100, Pass.FULL, 0x55), Program(2, 0, Pass.FULL, bytes([0x55] * 90) + b"12345")])


def test_a_stuck_bit_far_into_a_request_is_named() -> None:
    world = World(stuck=(777, 3))
    result = result_of(world.rig(Bus), Fill(1, 0, 1500, Pass.FULL, 0))
    assert result.status is Status.PROGRAM_FAILED
    assert result.detail == ProgramResult(777, 780, 1, 777, 0x00, 0x08)


def test_a_half_size_die_fails_where_the_second_half_meets_the_first() -> None:
    rig = World().rig(Bus)
    assert result_of(rig, Fill(1, 0, 2048, Pass.FULL, 0xF0)).status is Status.OK
    got = result_of(rig, Program(2, 2048, Pass.FULL, bytes([0xF0] * 10 + [0x0F])))
    assert (got.status, got.detail.words, got.detail.failed_address) == (Status.PROGRAM_FAILED, 10, 2058)
    assert (got.detail.wanted, got.detail.got) == (0x0F, 0x00)


def test_a_locked_flash_keeps_what_it_has() -> None:
    rig = World(locked=True).rig(Bus)
    # What it holds already reads right at the first word; the others cannot be written.
    got = result_of(rig, Program(1, 0, Pass.FULL, b"\xff" * 40 + b"\x00"))
    assert (got.status, got.detail.words, got.detail.failed_address) == (Status.PROGRAM_FAILED, 40, 40)


def test_the_time_of_a_block_is_the_sum_of_its_words_times() -> None:
    # Am29F040B: 7 µs a byte, typical (AMD 21445); ours 5 % about it. Four cycles of 2 µs, the last of which
    # runs beside the chip's own time, and one read of 1 µs a byte.
    rig = World().rig(Bus)
    begun_s = rig.now_s
    assert result_of(rig, Fill(1, 0, 2048, Pass.FULL, 0)).status is Status.OK
    assert (rig.now_s - begun_s) / 2048 == pytest.approx(3 * 2e-6 + 7e-6 + 1e-6, rel=0.01)
