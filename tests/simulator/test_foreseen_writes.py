"""When the pins and the chip answer for a run of words, and when only giving the cycles can tell; pages."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from daemon.catalogue.loader import Catalogue
from protocol.descriptor import PartDescriptor
from protocol.wire import Mode
from simulator.bus import Bus
from simulator.chip.chip import Chip
from simulator.chip.word_writes import WordWrites
from simulator.rails import Rails
from simulator.socket import ContactFault, Placement, Socket

Describe = Callable[..., PartDescriptor]
ON = Rails(5.0)
# Command codes as the sheets print them (AMD 21445, SST S71147).
AMD = [(0x555, 0xAA), (0x2AA, 0x55), (0x555, 0xA0)]
SST = [(0x5555, 0xAA), (0x2AAA, 0x55), (0x5555, 0xA0)]
ERASE = [(0x555, 0xAA), (0x2AA, 0x55), (0x555, 0x80), (0x555, 0xAA), (0x2AA, 0x55)]
PLACES = np.arange(100, 164, dtype=np.uint32)
WORDS = np.arange(64, dtype=np.uint16)


class Foreseer:
    """Makes pins at a chip and asks what they foresee of 64 words."""

    def __init__(self, parts: Catalogue, describe: Describe) -> None:
        self._parts = parts
        self._describe = describe

    def chip(self, name: str, **options: object) -> Chip:
        return Chip(self._parts.get(name), 3, die_words=2048, **options)  # type: ignore[arg-type]

    def bus(self, chip: Chip | None, part_id: str, **contacts: object) -> Bus:
        part = self._parts.get(part_id)
        return Bus(self._describe(part), Socket(len(part.pins), chip, **contacts))  # type: ignore[arg-type]

    def ask(self, bus: Bus, prefix: list[tuple[int, int]], rails: Rails = ON) -> WordWrites | None:
        return bus.foresee_writes(prefix, PLACES, WORDS, (rails, rails), 1.0)


@pytest.fixture
def foreseer(parts: Catalogue, describe: Describe) -> Foreseer:
    return Foreseer(parts, describe)


@pytest.mark.parametrize(
    ("name", "prefix", "longest_s"),
    # Longest write cycles of the sheets; "A11 and up do not matter" to the Am29F040B.
    [("atmel-at28c64", [], 1e-3), ("amd-am29f040b", AMD, 300e-6), ("amd-am29f040b", SST, 300e-6)],
)
def test_words_are_foreseen_carried_out_and_undone(
    foreseer: Foreseer, name: str, prefix: list[tuple[int, int]], longest_s: float
) -> None:
    chip = foreseer.chip(name)
    bus = foreseer.bus(chip, name)
    writes = foreseer.ask(bus, prefix)
    assert writes is not None
    assert len(writes.lasting_s) == 64
    assert 0 < min(writes.lasting_s) < max(writes.lasting_s) <= longest_s
    assert (bus.read(Mode.READ, PLACES, ON) == 0xFF).all(), "nothing is written yet"
    ends_s = (1.0 + np.cumsum(writes.lasting_s)).tolist()
    writes.carry_out(ends_s)
    assert (bus.read(Mode.READ, PLACES, ON) == WORDS).all()
    assert bus.busy_until_s() == ends_s[-1]
    writes.undo(20)
    assert bus.read(Mode.READ, PLACES, ON).tolist() == [*range(20), *[0xFF] * 44]
    assert bus.busy_until_s() == ends_s[19]


def test_a_sequence_that_is_not_just_a_write_is_not_foreseen(foreseer: Foreseer) -> None:
    bus = foreseer.bus(foreseer.chip("amd-am29f040b"), "amd-am29f040b")
    for prefix in ([], AMD[:2], ERASE, [*AMD, *AMD], [(0x555, 0xAA), (0x555, 0xF0), *AMD[1:]], AMD[::-1]):
        assert foreseer.ask(bus, prefix) is None, prefix
    bus.write(0x555, 0xAA, ON, 0.5)
    assert foreseer.ask(bus, AMD) is None, "it is in the middle of a sequence"
    bus.write(0, 0xF0, ON, 0.6)
    assert foreseer.ask(bus, AMD) is not None


def test_a_part_that_is_busy_inhibited_or_shows_its_codes_foresees_nothing(foreseer: Foreseer) -> None:
    bus = foreseer.bus(foreseer.chip("amd-am29f040b"), "amd-am29f040b")
    assert foreseer.ask(bus, AMD, Rails(3.5)) is None
    for address, word in [*AMD[:2], (0x555, 0x90)]:
        bus.write(address, word, ON, 0.5)
    assert foreseer.ask(bus, AMD) is None
    bus.write(0, 0xF0, ON, 0.6)
    for address, word in [*ERASE, (0x555, 0x10)]:
        bus.write(address, word, ON, 0.9)
    assert foreseer.ask(bus, AMD) is None, "a chip erase takes seconds"


def test_a_locked_a_paged_and_a_wrong_chip_foresee_nothing(foreseer: Foreseer) -> None:
    flash, eeprom = "amd-am29f040b", "atmel-at28c64"
    assert foreseer.ask(foreseer.bus(foreseer.chip(flash, locked=True), flash), AMD) is None
    assert foreseer.ask(foreseer.bus(foreseer.chip("atmel-at28c256"), "atmel-at28c256"), []) is None
    assert foreseer.ask(foreseer.bus(foreseer.chip("st-m27c64a"), eeprom), []) is None
    assert foreseer.ask(foreseer.bus(foreseer.chip(eeprom), eeprom), AMD) is None
    assert foreseer.ask(foreseer.bus(None, eeprom), []) is None


@pytest.mark.parametrize(
    "contacts",
    # Pins of the 28C64: 10 is A0, 11 and 12 D0 and D1, 3 A7, 27 /WE, 22 /OE, 28 VCC.
    [
        {"faults": {10: ContactFault.OPEN}},
        {"faults": {11: ContactFault.OPEN}},
        {"faults": {11: ContactFault.OPEN}, "bridges": [(11, 12)]},
        {"faults": {22: ContactFault.SHORT_TO_VCC}},
        {"faults": {27: ContactFault.OPEN}},
        {"faults": {27: ContactFault.SHORT_TO_VCC}},
        {"faults": {28: ContactFault.OPEN}},
        {"bridges": [(10, 12)]},
        {"bridges": [(3, 27)]},
        {"bridges": [(22, 10)]},
        {"placement": Placement(shift=1)},
        {"placement": Placement(reversed=True)},
    ],
)
def test_bad_contacts_are_found_out_by_doing(foreseer: Foreseer, contacts: dict[str, object]) -> None:
    bus = foreseer.bus(foreseer.chip("atmel-at28c64"), "atmel-at28c64", **contacts)
    assert foreseer.ask(bus, []) is None


def test_rows_that_meet_or_differ_are_not_foreseen(foreseer: Foreseer) -> None:
    bus = foreseer.bus(foreseer.chip("atmel-at28c64"), "atmel-at28c64")
    meet = np.array([5, 6, 2048 + 5], dtype=np.uint32)
    assert bus.foresee_writes([], meet, WORDS[:3], (ON, ON), 1.0) is None
    # A0 shorted to ground: every odd word meets the even one before it.
    faults = {10: ContactFault.SHORT_TO_GROUND}
    shorted = foreseer.bus(foreseer.chip("atmel-at28c64"), "atmel-at28c64", faults=faults)
    assert foreseer.ask(shorted, []) is None
    assert shorted.foresee_writes([], PLACES[::2], WORDS[::2], (ON, ON), 1.0) is not None
    # A0 bridged to D1: with that bit low an odd word is written to the even row, and read at the odd one.
    bridged = foreseer.bus(foreseer.chip("atmel-at28c64"), "atmel-at28c64", bridges=[(10, 12)])
    assert bridged.foresee_writes([], PLACES[1::2], WORDS[1::2] | 2, (ON, ON), 1.0) is not None
    assert bridged.foresee_writes([], PLACES[1::2], WORDS[1::2] & 0xFD, (ON, ON), 1.0) is None


def test_a_data_pin_where_the_chip_has_none_is_found_out_by_doing(
    foreseer: Foreseer, parts: Catalogue, describe: Describe
) -> None:
    # Whoever describes the 28C64 has D0 on pin 1, which leads nowhere, and ground on pin 11, which is D0.
    part = describe(parts.get("atmel-at28c64"))
    part = replace(part, data_pins=(1, *part.data_pins[1:]), ground_pins=(*part.ground_pins, 11))
    assert foreseer.ask(Bus(part, Socket(28, foreseer.chip("atmel-at28c64"))), []) is None


@pytest.mark.parametrize(
    "contacts",
    # Pins of the 28C256: 10 is A0, 11 D0, 26 A13, 27 /WE.
    [
        {},
        {"faults": {10: ContactFault.OPEN}},
        {"faults": {11: ContactFault.OPEN}},
        {"faults": {27: ContactFault.OPEN}},
        {"bridges": [(10, 12)]},
        {"bridges": [(10, 27)]},
        {"placement": Placement(shift=1)},
    ],
)
def test_a_page_is_loaded_as_by_its_write_cycles(foreseer: Foreseer, contacts: dict[str, object]) -> None:
    name = "atmel-at28c256"
    chips = [foreseer.chip(name) for _ in range(2)]
    page, loads = (foreseer.bus(chip, name, **contacts) for chip in chips)
    page.write_page(PLACES[:28], WORDS[:28], ON, 1.0)
    for index, (address, word) in enumerate(zip(PLACES[:28].tolist(), WORDS[:28].tolist(), strict=True)):
        loads.write(address, word, ON, 1.0 + index * 1e-6)
    assert page.busy_until_s() == loads.busy_until_s()
    found = [bus.read(Mode.READ, PLACES, ON).tolist() for bus in (page, loads)]
    if not contacts:
        assert found[0] == [*range(28), *[0xFF] * 36]
        assert found[0] == found[1]
    rows = np.arange(2048, dtype=np.uint32)
    held = [chip.cells.thresholds_mv(rows) for chip in chips]
    assert np.array_equal(held[0], held[1])
