"""Chips behind pins: what the programmer gets when all is well, and when it is not."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.catalogue.loader import Catalogue
from daemon.catalogue.terms import Kind
from protocol.wire import Mode
from simulator.bus import Bus
from simulator.chip.chip import Chip
from simulator.rails import Rails
from simulator.socket import ContactFault, Socket
from tests.simulator.bus_chips import PROGRAM, PULSE_S, READ, Describe, block, content_of, used

# All is well


@pytest.mark.no_cover
def test_every_part_reads_back_its_whole_content_through_its_pins(
    parts: Catalogue, describe: Describe
) -> None:
    # Makers' parts with the same pins and levels are one case to a reader: each is read once.
    seen: set[object] = set()
    for part in parts:
        told = describe(part, 42)
        wired = told.address_pins, told.data_pins, told.control_pins, told.vcc_pins, told.ground_pins
        case = part.words, wired, tuple(told.modes[Mode.READ]), part.supplies.vcc_read_v
        if case in seen:
            continue
        seen.add(case)
        bus = Bus(told, Socket(42, used(part)))
        words = bus.read(Mode.READ, block(0, part.words), Rails(part.supplies.vcc_read_v))
        assert np.array_equal(words, content_of(part)), part.id
    assert len(seen) >= 12


@pytest.mark.no_cover
def test_every_pulse_part_is_programmed_through_its_pins(parts: Catalogue, describe: Describe) -> None:
    for part in parts:
        if part.write is None or part.write.pulse_us is None:
            continue
        chip = Chip(part, 1)
        bus = Bus(describe(part, 42), Socket(42, chip))
        rails = Rails(part.supplies.vcc_program_v or 0, part.supplies.vpp_program_v or 0)
        addresses, words = block(512, 256), content_of(part)[:256]
        for _ in range(4):
            bus.pulse(addresses, words, rails, part.write.pulse_us / 1e6)
        assert np.array_equal(bus.read(Mode.VERIFY, addresses, rails), words), part.id
        around = bus.read(Mode.READ, block(0, 2048), READ)
        assert np.array_equal(around[512:768], words), part.id
        assert (np.delete(around, slice(512, 768)) == (1 << part.width_bits) - 1).all(), part.id
        assert chip.damage is None, part.id


@pytest.mark.no_cover
def test_every_id_voltage_part_tells_its_signature(parts: Catalogue, describe: Describe) -> None:
    count = 0
    for part in parts:
        if Mode.SIGNATURE not in (descriptor := describe(part)).modes:
            continue
        bus = Bus(descriptor, Socket(len(part.pins), Chip(part, 1)))
        rails = Rails(5.0, 0.0, part.supplies.id_v or 0)
        maker, device = bus.read(Mode.SIGNATURE, block(0, 2), rails).tolist()
        assert part.signature.matches(maker, device), part.id
        count += 1
    assert count >= 8


def test_without_the_id_voltage_signature_mode_is_a_read(parts: Catalogue, describe: Describe) -> None:
    part = parts.get("st-m27c256b")
    bus = Bus(describe(part), Socket(28, used(part)))
    # A9 then stands at 0 V: address 0 and 1 are read.
    assert bus.read(Mode.SIGNATURE, block(0, 2), READ).tolist() == content_of(part)[:2].tolist()


def test_nothing_is_read_in_modes_that_deselect_and_without_supply(
    parts: Catalogue, describe: Describe
) -> None:
    part = parts.get("st-m27c512")
    bus = Bus(describe(part), Socket(28, used(part)))
    for mode, rails in ((Mode.STANDBY, READ), (Mode.INHIBIT, PROGRAM), (Mode.READ, Rails())):
        assert (bus.read(mode, block(0, 64), rails) == 0xFF).all()


def test_an_unknown_mode_is_a_lookup_error(parts: Catalogue, describe: Describe) -> None:
    part = parts.get("atmel-at28c64")
    bus = Bus(describe(part), Socket(28, Chip(part, 1)))
    with pytest.raises(LookupError):
        bus.pulse(block(0, 1), np.zeros(1, dtype=np.uint16), PROGRAM, PULSE_S)


def test_a_mask_rom_is_not_programmed(parts: Catalogue, describe: Describe) -> None:
    part = parts.get("st-m27c256b")
    mask_rom = part.model_copy(update={"kind": Kind.MASK_ROM})
    chip = used(mask_rom)
    bus = Bus(describe(part), Socket(28, chip))
    bus.pulse(block(0, 256), np.zeros(256, dtype=np.uint16), PROGRAM, PULSE_S)
    chip.expose(100.0)
    assert np.array_equal(bus.read(Mode.READ, block(0, part.words), READ), content_of(part))


# Wrong parts


def test_a_27256_taken_for_a_27512_aliases(parts: Catalogue, describe: Describe) -> None:
    small, large = parts.get("st-m27c256b"), parts.get("st-m27c512")
    bus = Bus(describe(large), Socket(28, used(small)))
    words = bus.read(Mode.READ, block(0, 65536), READ)
    assert np.array_equal(words[:32768], content_of(small))
    assert np.array_equal(words[32768:], words[:32768])


def test_programming_it_as_a_27512_destroys_it(parts: Catalogue, describe: Describe) -> None:
    small, large = parts.get("st-m27c256b"), parts.get("st-m27c512")
    chip = used(small)
    bus = Bus(describe(large), Socket(28, chip))
    vcc_ma, vpp_ma = bus.currents_ma(Mode.INHIBIT, PROGRAM)
    assert chip.damage is not None
    assert "pin 22 (/OE)" in chip.damage
    assert vpp_ma > 500
    assert vcc_ma > 200
    assert (bus.read(Mode.READ, block(0, 256), READ) == 0xFF).all()


def test_a_27512_taken_for_a_27256_shows_its_lower_half_and_dies_of_vpp(
    parts: Catalogue, describe: Describe
) -> None:
    small, large = parts.get("st-m27c256b"), parts.get("st-m27c512")
    chip = used(large)
    bus = Bus(describe(small), Socket(28, chip))
    # Pin 1 is tied to VCC in read: A15 is high.
    assert np.array_equal(bus.read(Mode.READ, block(0, 32768), READ), content_of(large)[32768:])
    assert not chip.damage
    bus.pulse(block(0, 1), np.zeros(1, dtype=np.uint16), PROGRAM, PULSE_S)
    assert "pin 1 (A15)" in str(chip.damage)


def test_25_volts_kill_a_2732a(parts: Catalogue, describe: Describe) -> None:
    # M2732A: absolute maximum 22 V (ST sheet); a 2716 profile puts 25 V on pin 21, its A11.
    chip = used(parts.get("st-m2732a"))
    bus = Bus(describe(parts.get("st-m2716")), Socket(24, chip))
    bus.pulse(block(0, 1), np.zeros(1, dtype=np.uint16), Rails(5.0, 25.0), 50e-3)
    assert chip.damage is not None
    assert "pin 21 (A11)" in chip.damage


def test_the_id_voltage_kills_a_chip_that_has_no_use_for_it(parts: Catalogue, describe: Describe) -> None:
    part = parts.get("st-m27c256b")
    supplies = part.supplies.model_copy(update={"id_v": None, "id_abs_max_v": None})
    modes = {mode: table for mode, table in part.modes.items() if mode.value in ("standby", "read")}
    mask_rom = part.model_copy(
        update={"kind": Kind.MASK_ROM, "supplies": supplies, "modes": modes, "write": None}
    )
    chip = used(mask_rom)
    bus = Bus(describe(part), Socket(28, chip))
    assert np.array_equal(bus.read(Mode.READ, block(0, 256), READ), content_of(part)[:256])
    assert (bus.read(Mode.SIGNATURE, block(0, 2), Rails(5.0, 0.0, 12.0)) == 0xFF).all()
    assert chip.damage is not None
    assert "A9" in chip.damage
    assert (bus.read(Mode.READ, block(0, 256), READ) == 0xFF).all()


def test_a_half_size_die_repeats_its_content(parts: Catalogue, describe: Describe) -> None:
    part = parts.get("st-m27c512")
    chip = Chip(part, 1, label="M27C512", die_words=32768)
    chip.program_at_maker(content_of(part)[:32768])
    bus = Bus(describe(part), Socket(28, chip))
    words = bus.read(Mode.READ, block(0, 65536), READ)
    assert np.array_equal(words[:32768], words[32768:])
    # Programming the upper half spoils the lower one.
    bus.pulse(block(32768, 256), np.zeros(256, dtype=np.uint16), PROGRAM, 1e-3)
    assert not bus.read(Mode.READ, block(0, 256), READ).any()


def test_a_smaller_chip_sits_at_the_bottom_and_its_supply_pin_matters(
    parts: Catalogue, describe: Describe
) -> None:
    # A 28-pin part in a 32-pin socket: pin n in n + 2 (Fairchild NM27C256 sheet, page 1), so VCC on pin 30,
    # which is not connected on a 27C010 (M27C1001 sheet).
    part = parts.get("st-m27c512")
    socket = Socket(32, used(part))
    assert np.array_equal(
        Bus(describe(part, 32), socket).read(Mode.READ, block(0, 256), READ), content_of(part)[:256]
    )
    as_27c010 = Bus(describe(parts.get("st-m27c1001")), socket)
    assert (as_27c010.read(Mode.READ, block(0, 256), READ) == 0xFF).all()


# Undoing


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_restore_is_exact(parts: Catalogue, describe: Describe, data: st.DataObject) -> None:
    part = parts.get("st-m27c512")
    a1 = part.pin_number("A1")
    fault = data.draw(st.sampled_from([None, ContactFault.SHORT_TO_GROUND, ContactFault.OPEN]))
    faults = {} if fault is None else {a1: fault}
    count = data.draw(st.integers(1, 12))
    reached = data.draw(st.integers(0, count))
    addresses = block(32, count)
    rounds = data.draw(
        st.lists(st.lists(st.integers(0, 255), min_size=count, max_size=count), min_size=1, max_size=3)
    )

    def bus_and_chip() -> tuple[Bus, Chip]:
        chip = Chip(part, 3)
        bus = Bus(describe(part), Socket(28, chip, faults=faults))
        bus.pulse(addresses, np.full(count, 0x7F, dtype=np.uint16), PROGRAM, PULSE_S)
        return bus, chip

    everything = block(0, 256)
    bus, chip = bus_and_chip()
    before = chip.cells.thresholds_mv(everything)
    snapshot = bus.snapshot(addresses)
    for words in rounds:
        bus.pulse(addresses, np.array(words, dtype=np.uint16), PROGRAM, PULSE_S)
    bus.restore(snapshot, reached)
    after = chip.cells.thresholds_mv(everything)
    if reached == 0:
        assert np.array_equal(after, before)
    if fault is not ContactFault.OPEN:  # a drifting line is drawn anew for every block
        other, fresh = bus_and_chip()
        for words in rounds:
            other.pulse(addresses[:reached], np.array(words[:reached], dtype=np.uint16), PROGRAM, PULSE_S)
        assert np.array_equal(after, fresh.cells.thresholds_mv(everything))


def test_a_snapshot_of_something_else_is_refused(parts: Catalogue, describe: Describe) -> None:
    part = parts.get("st-m27c512")
    bus = Bus(describe(part), Socket(28, Chip(part, 1)))
    with pytest.raises(TypeError):
        bus.restore("nothing", 0)
