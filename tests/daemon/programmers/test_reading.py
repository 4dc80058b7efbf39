"""Reading a range by blocks, on lines that lose them and from chips that change their mind."""

import random

import numpy as np
import pytest

from daemon.errors import BenchError, Code
from daemon.programmers.reading import Stretch, read_stretch
from daemon.transport.memory import Direction
from protocol.wire import Mode, Status
from simulator.stock import Stock
from tests.support.virtual_bench import PARTS, virtual_bench

PART = "st-m27c256b"
SIZE = PARTS.get(PART).size_bytes


@pytest.fixture
def powered(tmp_path):
    """A bench with a used chip, set up and at 5 V."""
    with virtual_bench(tmp_path, PART, Stock.USED) as bench:
        socketed = bench.socketed(PARTS.get(PART))
        socketed.set_up()
        socketed.power(5000)
        yield bench


def read(bench, count=SIZE, vcc_mv=5000, progress=lambda done: None):
    stretch = Stretch(0, count, Mode.READ, vcc_mv, 1)
    return read_stretch(bench.session, stretch, timeout_s=5, on_progress=progress)


def losing(pick):
    """Return a line that loses what `pick` says, of the large pieces that come from the device."""

    def lose(direction, data, now_s):
        if direction is Direction.TO_HOST and len(data) > 500 and pick():
            return []
        return [(0.0, data)]

    return lose


def test_all_of_it_comes_and_progress_grows(powered):
    told = []
    back = read(powered, progress=told.append)
    assert (back.status, back.agrees) == (Status.OK, True)
    assert back.data == powered.held
    assert told == sorted(told)
    assert told[-1] == SIZE


@pytest.mark.parametrize("seed", range(3))
def test_lost_blocks_are_asked_for_again(powered, seed):
    rng = random.Random(seed)
    lost = []
    powered.transport.fault = losing(lambda: rng.random() < 0.4 and not lost.append(1))
    told = []
    back = read(powered, progress=told.append)
    assert lost
    assert back.agrees
    assert back.data == powered.held
    assert told[-1] == SIZE


def test_blocks_that_never_come_end_it(powered):
    powered.transport.fault = losing(lambda: True)
    with pytest.raises(BenchError) as caught:
        read(powered)
    assert caught.value.code is Code.LINK_LOST
    assert "32,768 bytes" in caught.value.message
    # Short messages still go: whoever reads can switch off.
    assert powered.session.alive


def test_a_refusal_is_told_and_no_data_with_it(powered):
    # SPEC.md D28: a READ names its VCC, and is refused with another one set.
    back = read(powered, vcc_mv=4200)
    assert (back.status, back.data, back.agrees) == (Status.SUPPLY_NOT_SET, b"", False)


def test_a_chip_that_changes_between_reads_is_found_out(powered):
    """Whatever is asked for again comes from other content, as from a chip whose bits are at their limit."""
    cells = powered.programmer.socket.chip.cells
    rows = np.arange(SIZE, dtype=np.uint32)
    contents = [np.full(SIZE, value, np.uint16) for value in (0x55, 0xAA)]
    rng = random.Random(4)
    lost = []

    def change():
        if rng.random() < 0.5:
            return False
        lost.append(1)
        cells.store(rows, contents[len(lost) % 2])
        return True

    powered.transport.fault = losing(change)
    back = read(powered)
    assert back.status is Status.OK
    assert not back.agrees
    assert len(lost) > 2
