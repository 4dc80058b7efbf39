"""A chip that loses its supplies in the middle of something, or its place."""

import pytest

from daemon.catalogue.loader import Catalogue
from protocol.messages import Program
from protocol.wire import Kind, Opcode, Pass, Status
from simulator.chip.chip import Chip
from simulator.programmer import VirtualProgrammer, full
from simulator.socket import Socket
from tests.support.device_rig import PULSE_NS, Rig, results

PULSE_S = PULSE_NS / 1e9
FIVE_V = 5.0


@pytest.mark.parametrize("how", ["taken out", "reset"])
def test_a_flash_that_lost_its_supply_in_the_middle_of_an_erase_is_not_busy_any_more(how: str) -> None:
    """Its state machine starts anew with VCC (SST39SF, power-up: read mode)."""
    chip = Chip(Catalogue().get("sst-39sf010a"))
    board = VirtualProgrammer(full("rig"), Socket(48, chip))
    machine = chip.machine
    assert machine is not None
    machine.advance(1.0)
    sequence = chip.part.write.commands["chip-erase"] if chip.part.write else ()
    for step in sequence:
        machine.write(int(step.address), int(step.data), FIVE_V)
    assert machine.busy
    assert machine.busy_until_s > 1.05, "the sheet: 70 ms typical"
    if how == "taken out":
        board.remove(1.01)
        board.insert(chip, 1.02)
    else:
        board.reset(1.02)
    machine.advance(1.02)
    assert not machine.busy


def test_a_sequence_that_was_begun_is_forgotten_with_the_supply() -> None:
    chip = Chip(Catalogue().get("sst-39sf010a"))
    machine = chip.machine
    assert machine is not None
    machine.write(0x5555, 0xAA, FIVE_V)
    machine.write(0x2AAA, 0x55, FIVE_V)
    machine.lose_power(0.5)
    machine.write(0x5555, 0xA0, FIVE_V)
    machine.write(0x10, 0x00, FIVE_V)
    assert chip.cells.read(chip.on_die(_rows(0x10)), FIVE_V)[0] == 0xFF


def test_a_page_that_was_still_open_is_lost_with_the_supply() -> None:
    chip = Chip(Catalogue().get("atmel-at28c256"))
    machine = chip.machine
    assert machine is not None
    machine.write(0x10, 0x00, FIVE_V)
    machine.lose_power(100e-6)  # within the 150 µs of tBLC
    machine.advance(1.0)
    assert chip.cells.read(_rows(0x10), FIVE_V)[0] == 0xFF


def test_a_chip_taken_out_while_its_last_pulse_ends_ends_the_work_as_the_socket_did() -> None:
    rig = Rig()  # with a sensor: opening the socket stops the work, and a short pulse may end
    rig.ready()
    rig.request(Opcode.PROGRAM, Program(1, 0, Pass.FULL, bytes(64)))
    rig.advance(10.5 * PULSE_S)
    rig.device.remove(rig.now_s)
    got = rig.advance(0.2)
    assert [status for _, status in results(got)] == [Status.ABORTED]
    assert Kind.EVENT in [frame.kind for frame in got]
    assert rig.off


def _rows(row: int):
    import numpy as np

    return np.array([row], dtype=np.uint32)
