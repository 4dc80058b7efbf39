"""Every stock shows the trouble that its name promises, for every seed tried."""

import numpy as np
import pytest

from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from protocol.wire import PinState
from simulator.socket import Socket
from simulator.stock import Stock, demo_content, make_socket


def rows_of(part: Part) -> np.ndarray:
    return np.arange(part.words, dtype=np.uint32)


def read(socket: Socket, vcc_v: float = 5.0) -> np.ndarray:
    assert socket.chip is not None
    return socket.chip.cells.read(rows_of(socket.chip.part), vcc_v)


@pytest.fixture(scope="module")
def part(parts: Catalogue) -> Part:
    return parts.get("st-m27c512")


@pytest.mark.parametrize("seed", range(3))
def test_blank_and_used(part: Part, seed: int) -> None:
    assert (read(make_socket(part, Stock.BLANK, seed)) == 0xFF).all()
    used = read(make_socket(part, Stock.USED, seed), 6.0)
    assert np.array_equal(used, demo_content(part, seed))
    assert bytes(used[:20].astype(np.uint8)) == b"SKERRY COMPUTER CLUB"


def test_demo_content_fills_every_part(parts: Catalogue) -> None:
    for part in parts:
        content = demo_content(part, 3)
        assert len(content) == part.words
        assert content.max() >> part.width_bits == 0


@pytest.mark.parametrize("seed", range(6))
def test_half_erased_reads_blank_at_5_volts_only(part: Part, seed: int) -> None:
    socket = make_socket(part, Stock.HALF_ERASED, seed)
    assert (read(socket, 5.0) == 0xFF).all()
    for vcc_v in (4.5, 4.2):
        assert (read(socket, vcc_v) != 0xFF).sum() > 1000


def test_half_erased_is_for_parts_that_light_erases(parts: Catalogue) -> None:
    with pytest.raises(ValueError, match="light"):
        make_socket(parts.get("atmel-at28c256"), Stock.HALF_ERASED)


def test_none_reversed_shifted_and_wrong(parts: Catalogue, part: Part) -> None:
    assert make_socket(part, Stock.NONE, socket_pins=32).chip is None
    turned = make_socket(part, Stock.REVERSED, socket_pins=32).contact((16,))
    assert turned.count(PinState.REVERSED) > 20
    shifted = make_socket(part, Stock.SHIFTED, socket_pins=32).contact((16,))
    assert PinState.CHIP not in shifted
    other = parts.get("st-m27c256b")
    wrong = make_socket(part, Stock.WRONG, other=other)
    assert wrong.chip is not None
    assert wrong.chip.part is other
    with pytest.raises(ValueError, match="which part"):
        make_socket(part, Stock.WRONG)


def test_folded_is_one_open_address_pin(part: Part) -> None:
    states = make_socket(part, Stock.FOLDED, socket_pins=32).contact((16,))
    expected = make_socket(part, Stock.BLANK, socket_pins=32).contact((16,))
    (pin,) = (pin for pin, (a, b) in enumerate(zip(states, expected, strict=True), 1) if a is not b)
    assert states[pin - 1] is PinState.OPEN
    assert part.signal_of(pin - 2) == "A8"


def test_weak_needs_more_pulses_and_more_light(part: Part) -> None:
    weak, sound = (make_socket(part, stock, 1).chip for stock in (Stock.WEAK, Stock.BLANK))
    assert weak is not None
    assert sound is not None
    zeros = np.zeros(part.words, dtype=np.uint16)
    unfinished: list[int] = []
    for chip in (weak, sound):
        chip.cells.pulse(rows_of(part), zeros, 12.75, 100e-6)
        unfinished.append(int(np.count_nonzero(chip.cells.read(rows_of(part), 6.25))))
        for _ in range(24):
            chip.cells.pulse(rows_of(part), zeros, 12.75, 100e-6)
        assert not chip.cells.read(rows_of(part), 6.25).any()
    assert unfinished[0] > 20 * max(unfinished[1], 1)


@pytest.mark.parametrize("seed", range(3))
def test_stuck_has_one_bit_of_each_kind(part: Part, seed: int) -> None:
    chip = make_socket(part, Stock.STUCK, seed).chip
    assert chip is not None
    assert int(np.bitwise_count(~read(make_socket(part, Stock.STUCK, seed)) & 0xFF).sum()) == 1
    chip.cells.pulse(rows_of(part), np.zeros(part.words, dtype=np.uint16), 12.75, 10e-3)
    assert int(np.bitwise_count(chip.cells.read(rows_of(part), 5.0)).sum()) == 1


def test_locked_is_for_parts_with_a_lock(parts: Catalogue, part: Part) -> None:
    chip = make_socket(parts.get("atmel-at28c256"), Stock.LOCKED).chip
    assert chip is not None
    assert np.array_equal(chip.cells.read(rows_of(chip.part), 5.0), demo_content(chip.part, 0))
    with pytest.raises(ValueError, match="no lock"):
        make_socket(part, Stock.LOCKED)


def test_half_size_is_half_a_die(part: Part) -> None:
    chip = make_socket(part, Stock.HALF_SIZE).chip
    assert chip is not None
    assert chip.label == "M27C512"
    assert chip.die_words == 32768


def test_the_same_seed_is_the_same_socket(part: Part) -> None:
    for stock in (Stock.USED, Stock.HALF_ERASED, Stock.STUCK, Stock.WEAK):
        first, second = (read(make_socket(part, stock, 9), 4.65) for _ in range(2))
        assert np.array_equal(first, second)
