"""Tired contacts, crossed pins and lines that are dead inside: what a read then brings."""

from collections.abc import Callable

import numpy as np
import pytest

from daemon.catalogue.loader import Catalogue
from protocol.descriptor import PartDescriptor
from protocol.wire import Mode, PinState
from simulator.bus import Bus
from simulator.chip.chip import Chip
from simulator.chip.die_faults import DieFaults
from simulator.rails import Rails
from simulator.socket import Socket

READ = Rails(5.0)
Describe = Callable[..., PartDescriptor]


@pytest.fixture
def content() -> np.ndarray:
    return np.random.default_rng(3).integers(0, 256, 2048).astype(np.uint16)


def looked(parts: Catalogue, describe: Describe, content: np.ndarray, **faults: object) -> list[np.ndarray]:
    """Read a 2716 with this content twice, over a socket, or with a die, that has these faults."""
    part = parts.get("st-m2716")
    die = faults.pop("die", None)
    chip = Chip(part, 5, faults=die)  # type: ignore[arg-type]
    chip.program_at_maker(content)
    bus = Bus(describe(part), Socket(24, chip, **faults))  # type: ignore[arg-type]
    addresses = np.arange(2048, dtype=np.uint32)
    return [bus.read(Mode.READ, addresses, READ).astype(np.uint16) for _ in range(2)]


def test_an_intermittent_data_pin_reads_1_now_and_then(
    parts: Catalogue, describe: Describe, content: np.ndarray
) -> None:
    pin = parts.get("st-m2716").data_pins[3]
    first, second = looked(parts, describe, content, intermittent={pin: 0.2})
    assert (first != second).any()
    for seen in (first, second):
        assert ((seen ^ content) & ~np.uint16(8) == 0).all()
        lost = seen[content & 8 == 0] & 8
        # A fifth of the words; each run covers eight, so the count scatters.
        assert 0.1 < np.count_nonzero(lost) / len(lost) < 0.3


def test_an_intermittent_address_pin_reads_other_words(
    parts: Catalogue, describe: Describe, content: np.ndarray
) -> None:
    pin = parts.get("st-m2716").address_pins[4]
    first, second = looked(parts, describe, content, intermittent={pin: 0.2})
    assert (first != second).any()
    rows = np.arange(2048)
    assert ((first == content[rows]) | (first == content[rows ^ 16])).all()


def test_an_intermittent_contact_passes_the_pin_check(parts: Catalogue) -> None:
    chip = Chip(parts.get("st-m2716"), 5)
    assert Socket(24, chip, intermittent={5: 0.2}).contact((12,))[4] is PinState.CHIP


def test_crossed_address_pins_exchange_the_words(
    parts: Catalogue, describe: Describe, content: np.ndarray
) -> None:
    pins = parts.get("st-m2716").address_pins
    first, _ = looked(parts, describe, content, exchanged=[(pins[0], pins[1])])
    expected = content.reshape(-1, 4)[:, [0, 2, 1, 3]].ravel()
    assert (first == expected).all()


@pytest.mark.parametrize(
    ("die", "expected"),
    [
        (DieFaults(rows_low=2), lambda held, rows: held[rows & ~2]),
        (DieFaults(rows_high=2), lambda held, rows: held[rows | 2]),
        (DieFaults(outputs_low=4), lambda held, rows: held[rows] & 0xFB),
        (DieFaults(outputs_high=4), lambda held, rows: held[rows] | 4),
    ],
)
def test_a_line_that_is_dead_inside(
    parts: Catalogue, describe: Describe, content: np.ndarray, die: DieFaults, expected: Callable[..., object]
) -> None:
    first, _ = looked(parts, describe, content, die=die)
    assert (first == expected(content, np.arange(2048))).all()


def test_a_share_is_no_more_than_all() -> None:
    with pytest.raises(ValueError, match="share"):
        Socket(24, intermittent={3: 1.5})
    with pytest.raises(ValueError, match="pins 1 to 24"):
        Socket(24, exchanged=[(1, 30)])
