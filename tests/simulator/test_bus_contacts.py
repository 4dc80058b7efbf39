"""Pins without contact, bridged or shorted, empty sockets and turned chips, as the bus shows them."""

import numpy as np
import pytest

from daemon.catalogue.loader import Catalogue
from protocol.wire import Mode
from simulator.bus import Bus
from simulator.chip.chip import Chip
from simulator.rails import Rails
from simulator.socket import ContactFault, Placement, Socket
from tests.simulator.bus_chips import PROGRAM, PULSE_S, READ, Describe, block, content_of, used

# Contacts


def test_an_open_data_pin_reads_1_and_is_not_programmed(parts: Catalogue, describe: Describe) -> None:
    part = parts.get("st-m27c512")
    d3 = part.pin_number("D3")
    chip = Chip(part, 1)
    bus = Bus(describe(part), Socket(28, chip, faults={d3: ContactFault.OPEN}))
    bus.pulse(block(0, 64), np.zeros(64, dtype=np.uint16), PROGRAM, 1e-3)
    assert (bus.read(Mode.VERIFY, block(0, 64), PROGRAM) == 0x08).all()
    assert (chip.cells.read(block(0, 64), 5.0) == 0x08).all()


@pytest.mark.parametrize(
    ("fault", "seen"), [(ContactFault.SHORT_TO_GROUND, 0x00), (ContactFault.SHORT_TO_VCC, 0x08)]
)
def test_a_shorted_data_pin(parts: Catalogue, describe: Describe, fault: ContactFault, seen: int) -> None:
    part = parts.get("st-m27c512")
    bus = Bus(describe(part), Socket(28, used(part), faults={part.pin_number("D3"): fault}))
    expected = content_of(part)[:256] & 0xF7 | seen
    assert np.array_equal(bus.read(Mode.READ, block(0, 256), READ), expected)


def test_a_shorted_address_pin_aliases(parts: Catalogue, describe: Describe) -> None:
    part = parts.get("st-m27c512")
    faults = {part.pin_number("A4"): ContactFault.SHORT_TO_GROUND}
    bus = Bus(describe(part), Socket(28, used(part), faults=faults))
    assert np.array_equal(
        bus.read(Mode.READ, block(0, 256), READ), content_of(part)[block(0, 256) & np.uint32(0xFFEF)]
    )


def test_an_open_address_pin_drifts_and_is_repeatable(parts: Catalogue, describe: Describe) -> None:
    part = parts.get("st-m27c512")
    faults = {part.pin_number("A4"): ContactFault.OPEN}

    def twice(seed: int) -> list[list[int]]:
        bus = Bus(describe(part), Socket(28, used(part, seed), faults=faults))
        return [bus.read(Mode.READ, block(0, 256), READ).tolist() for _ in range(2)]

    first, second = twice(1)
    assert first != second
    assert twice(1) == [first, second]
    content = content_of(part)
    settled = max(
        np.count_nonzero(np.array(first) == content[block(0, 256) & np.uint32(0xFFEF)]),
        np.count_nonzero(np.array(first) == content[block(0, 256) | 0x10]),
    )
    assert 200 < settled < 256


def test_bridged_address_pins_are_wired_and(parts: Catalogue, describe: Describe) -> None:
    part = parts.get("st-m27c512")
    a3, a4 = part.pin_number("A3"), part.pin_number("A4")
    bus = Bus(describe(part), Socket(28, used(part), bridges=[(a3, a4)]))
    addresses = block(0, 256)
    both = (addresses >> 3 & 1) & (addresses >> 4 & 1)
    seen = addresses & ~np.uint32(0x18) | both << 3 | both << 4
    assert np.array_equal(bus.read(Mode.READ, addresses, READ), content_of(part)[seen])


def test_bridged_data_pins_are_wired_and(parts: Catalogue, describe: Describe) -> None:
    part = parts.get("st-m27c512")
    d1, d2 = part.pin_number("D1"), part.pin_number("D2")
    bus = Bus(describe(part), Socket(28, used(part), bridges=[(d1, d2)]))
    content = content_of(part)[:256]
    both = (content >> 1 & 1) & (content >> 2 & 1)
    assert np.array_equal(bus.read(Mode.READ, block(0, 256), READ), content & 0xF9 | both << 1 | both << 2)


def test_address_bridged_to_data_pulls_the_data_down(parts: Catalogue, describe: Describe) -> None:
    part = parts.get("st-m27c512")
    a0, d0 = part.pin_number("A0"), part.pin_number("D0")
    bus = Bus(describe(part), Socket(28, used(part), bridges=[(a0, d0)]))
    words = bus.read(Mode.READ, block(0, 256), READ)
    assert not (words[::2] & 1).any()
    assert np.array_equal(words[1::2], content_of(part)[1:256:2])


@pytest.mark.parametrize("name", ["VCC", "GND", "/CE"])
def test_a_chip_without_supply_or_select_gives_nothing(
    parts: Catalogue, describe: Describe, name: str
) -> None:
    part = parts.get("st-m27c512")
    chip = next(c for c in (used(part, seed) for seed in range(20)) if name != "/CE" or c.drift_v(20) > 2)
    bus = Bus(describe(part), Socket(28, chip, faults={part.pin_number(name): ContactFault.OPEN}))
    assert (bus.read(Mode.READ, block(0, 64), READ) == 0xFF).all()


# Empty and turned sockets


def test_an_empty_socket_looks_blank_and_fails_to_verify(parts: Catalogue, describe: Describe) -> None:
    bus = Bus(describe(parts.get("st-m27c512")), Socket(28))
    words = content_of(parts.get("st-m27c512"))[:256]
    assert (bus.read(Mode.READ, block(0, 256), READ) == 0xFF).all()
    bus.pulse(block(0, 256), words, PROGRAM, PULSE_S)
    assert (bus.read(Mode.VERIFY, block(0, 256), PROGRAM) != words).all()
    assert bus.currents_ma(Mode.READ, READ) == (0.0, 0.0)


def test_a_careless_programmer_is_fooled_by_an_empty_socket_once(
    parts: Catalogue, describe: Describe
) -> None:
    bus = Bus(describe(parts.get("st-m27c512")), Socket(28), careless=True)
    words = np.arange(256, dtype=np.uint16)
    bus.pulse(block(0, 256), words, PROGRAM, PULSE_S)
    assert np.array_equal(bus.read(Mode.VERIFY, block(0, 256), PROGRAM), words)
    assert (bus.read(Mode.VERIFY, block(0, 256), PROGRAM) == 0xFF).all()


def test_a_turned_chip_draws_amperes_and_reads_nonsense(parts: Catalogue, describe: Describe) -> None:
    for name in ("st-m27c512", "st-m27c1001", "ti-tms27c020", "st-m2716", "atmel-at28c256"):
        part = parts.get(name)
        bus = Bus(describe(part), Socket(len(part.pins), used(part), placement=Placement(reversed=True)))
        assert bus.currents_ma(Mode.READ, READ)[0] > 1000, name
        assert bus.currents_ma(Mode.READ, Rails())[0] == 0, name
        words = bus.read(Mode.READ, block(0, 256), READ)
        assert np.count_nonzero(words == content_of(part)[:256]) < 64, name


def test_a_sound_chip_draws_its_milliamperes(parts: Catalogue, describe: Describe) -> None:
    part = parts.get("st-m27c512")
    bus = Bus(describe(part), Socket(28, Chip(part, 1)))
    assert bus.currents_ma(Mode.READ, READ) == (30.0, 0.0)
    assert bus.currents_ma(Mode.STANDBY, READ) == (1.0, 0.0)
    assert bus.currents_ma(Mode.PROGRAM, PROGRAM) == (50.0, 30.0)
    assert bus.currents_ma(Mode.STANDBY, Rails()) == (0.0, 0.0)


@pytest.mark.parametrize(("name", "index"), [("VCC", 0), ("/OE|VPP", 1)])
def test_a_supply_shorted_to_ground_draws_amperes(
    parts: Catalogue, describe: Describe, name: str, index: int
) -> None:
    part = parts.get("st-m27c512")
    faults = {part.pin_number(name): ContactFault.SHORT_TO_GROUND}
    for chip in (None, Chip(part, 1)):
        bus = Bus(describe(part), Socket(28, chip, faults=faults))
        assert bus.currents_ma(Mode.INHIBIT, PROGRAM)[index] > 1000


def test_a_chip_can_be_changed_in_the_socket(parts: Catalogue, describe: Describe) -> None:
    part = parts.get("st-m27c512")
    socket = Socket(28, used(part, 1))
    bus = Bus(describe(part), socket)
    assert np.array_equal(bus.read(Mode.READ, block(0, 64), READ), content_of(part, 1)[:64])
    first = socket.remove()
    assert (bus.read(Mode.READ, block(0, 64), READ) == 0xFF).all()
    socket.insert(used(part, 2))
    assert np.array_equal(bus.read(Mode.READ, block(0, 64), READ), content_of(part, 2)[:64])
    assert first is not None
    assert np.array_equal(first.cells.read(block(0, 64), 5.0), content_of(part, 1)[:64])
