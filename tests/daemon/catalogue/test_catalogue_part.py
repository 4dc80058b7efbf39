"""What a part works out from its own values."""

from typing import Any

import pytest
from pydantic import ValidationError

from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.catalogue.terms import Confidence, Kind, Level, Loop, Mode, Semantics, Unused


@pytest.mark.parametrize(
    ("name", "size_bytes", "address_bits", "word_bytes"),
    [
        # Source: headlines of the data sheets named in chip_facts.toml (2 Kbit x 8 ... 32 Mbit).
        ("M2716", 2048, 11, 1),
        ("M27C512", 65536, 16, 1),
        ("M27C801", 1 << 20, 20, 1),
        ("Am27C1024", 131072, 16, 2),
        ("M27C322", 4 << 20, 21, 2),
    ],
)
def test_sizes(name: str, size_bytes: int, address_bits: int, word_bytes: int, catalogue: Catalogue) -> None:
    part = catalogue.get(name)
    assert (part.size_bytes, part.address_bits, part.word_bytes) == (size_bytes, address_bits, word_bytes)


def test_pins_of_a_27c512(catalogue: Catalogue) -> None:
    # Source: M27C512 sheet, DIP pin connections (chip_facts.toml, dip28_27512).
    part = catalogue.get("M27C512")
    assert part.address_pins == (10, 9, 8, 7, 6, 5, 4, 3, 25, 24, 21, 23, 2, 26, 27, 1)
    assert part.data_pins == (11, 12, 13, 15, 16, 17, 18, 19)
    assert (part.vcc_pins, part.ground_pins, part.vpp_pins) == ((28,), (14,), (22,))
    assert part.control_pins == (20, 22)
    assert part.pin_number("/CE") == 20
    assert part.pin_number("/OE") == part.pin_number("VPP") == part.pin_number("/OE|VPP") == 22
    assert part.signal_of(22) == "/OE|VPP"


def test_two_grounds_and_a_shared_data_pin(catalogue: Catalogue) -> None:
    # Source: M27C160 sheet, DIP pin connections (chip_facts.toml, dip42_27c160).
    part = catalogue.get("M27C160")
    assert part.ground_pins == (12, 31)
    assert part.data_pins[15] == part.pin_number("A-1") == 30
    assert part.control_pins == (11, 13, 32)
    with pytest.raises(LookupError, match="2 pins that carry GND"):
        part.pin_number("GND")


def test_pins_that_are_not_there(catalogue: Catalogue) -> None:
    part = catalogue.get("M27C512")
    assert part.pin_numbers("/WE") == ()
    with pytest.raises(LookupError, match="0 pins that carry /WE"):
        part.pin_number("/WE")
    for pin in (0, 29, -1):
        with pytest.raises(LookupError, match="pins 1 to 28"):
            part.signal_of(pin)


def test_levels_of_every_pin_in_a_mode(catalogue: Catalogue) -> None:
    part = catalogue.get("M27C512")
    read = part.levels(Mode.READ)
    assert sorted(read) == list(range(1, 29))
    assert {read[pin] for pin in part.address_pins} == {Level.ADDRESS}
    assert {read[pin] for pin in part.data_pins} == {Level.DATA}
    assert (read[28], read[14], read[20], read[22]) == (Level.VCC, Level.LOW, Level.LOW, Level.LOW)
    margin = part.levels(Mode.MARGIN_SET)
    # Source: M27C512 sheet, margin mode: A9 at 12 V, A10 high to set, A8 at 5 V (chip_facts.toml).
    assert [margin[part.pin_number(name)] for name in ("A8", "A9", "A10")] == [
        Level.HIGH,
        Level.ID,
        Level.HIGH,
    ]
    assert {margin[pin] for pin in part.data_pins} == {Level.FLOAT}
    with pytest.raises(LookupError, match="no write mode"):
        part.levels(Mode.WRITE)


def test_the_pulse_of_a_2716_is_high(catalogue: Catalogue) -> None:
    # from memory: the Intel 2716 takes a high 50 ms pulse on pin 18 with output enable high.
    program = catalogue.get("M2716").levels(Mode.PROGRAM)
    assert (program[18], program[20], program[21]) == (Level.PULSE_HIGH, Level.HIGH, Level.VPP)


def test_erasing_a_27c512_that_needs_no_light(catalogue: Catalogue) -> None:
    # from memory: VPP and A9 at 14 V, A0 low, all ones on the outputs, a low pulse of 100 ms on /CE.
    part = catalogue.get("W27C512")
    erase = part.levels(Mode.ERASE)
    assert (erase[22], erase[part.pin_number("A9")], erase[10]) == (Level.VPP, Level.ID, Level.LOW)
    assert erase[20] is Level.PULSE_LOW
    assert {erase[pin] for pin in part.data_pins} == {Level.DATA}
    assert (part.supplies.erase_v, part.erase.pulse_ms) == (14.0, 100)
    assert part.confidence is Confidence.MEMORY


def test_the_first_2764s_had_two_loops(catalogue: Catalogue) -> None:
    # from memory: 21 V; either one pulse of 50 ms, or up to 15 of 1 ms and then 4 ms for each that it took.
    new, old = catalogue.get("intel-2764"), catalogue.get("nte-nte2764")
    assert new.write
    assert old.write
    assert (new.write.pulse_us, new.write.max_pulses, new.write.overprogram_factor) == (1000, 15, 4)
    assert (old.write.pulse_us, old.write.max_pulses, old.write.loop) == (50000, 1, Loop.SINGLE_PULSE)
    assert new.supplies.vpp_program_v == old.supplies.vpp_program_v == 21.0


def test_what_pins_that_reading_does_not_need_may_have(catalogue: Catalogue) -> None:
    part = catalogue.get("M27C1001")
    assert part.unused(1) is Unused.TIED  # VPP
    assert part.unused(31) is Unused.LEVEL  # /PGM
    assert part.unused(30) is Unused.ANY  # NC
    assert part.unused(22) is None  # /CE
    assert catalogue.get("AT28C64").unused(1) is Unused.OPEN  # RDY|NC
    assert catalogue.get("M27256").unused(1) is None  # VPP, which must be VCC


def test_an_output_that_nobody_spoke_for_is_left_open(tables: Any) -> None:
    table = tables("atmel-at28c64")
    del table["unused_pins"]
    table["src"] = {}
    assert Part.model_validate(table).unused(1) is Unused.OPEN  # RDY|NC


def test_a_part_in_another_package(catalogue: Catalogue) -> None:
    part = catalogue.get("M27C512")
    square = part.in_package("PLCC32")
    assert (square.package, len(square.pins), square.id) == ("PLCC32", 32, part.id)
    # from memory: PLCC32 pin 25 is /OE|VPP of a 27C512, pin 32 VCC, pin 16 ground.
    assert (square.vpp_pins, square.vcc_pins, square.ground_pins) == ((25,), (32,), (16,))
    assert square.source_of("pins") == "memory"
    assert square.source_of("write.pulse_us") == part.source_of("write.pulse_us")
    assert part.in_package("DIP28") is part
    with pytest.raises(LookupError, match="M27C512 is a DIP28, PLCC32, not a SOP28"):
        part.in_package("SOP28")


def test_every_part_can_be_had_in_every_package_it_names(catalogue: Catalogue) -> None:
    for part in catalogue:
        for package in part.also_in:
            assert part.in_package(package).words == part.words


def test_byte_mode(catalogue: Catalogue) -> None:
    # Source: M27C160 sheet "2Mb x8 or 1Mb x16", AT27C400 "also 512K x 8"; M27C322 sheet: 16 bits only.
    assert {part.id for part in catalogue if part.has_byte_mode} >= {"st-m27c160", "atmel-at27c400"}
    assert not catalogue.get("M27C322").has_byte_mode
    assert not catalogue.get("M27C512").has_byte_mode


def test_speed_grades_and_supplies(catalogue: Catalogue) -> None:
    # Source: TMS27C020 sheet: 100 to 250 ns, 5 V +/- 10 %.
    part = catalogue.get("TMS27C020")
    assert part.grades_within(150) == (100, 120, 150)
    assert part.grades_within(99) == ()
    assert [part.reads_at(volts) for volts in (4.4, 4.5, 5.0, 5.5, 5.6)] == [False, True, True, True, False]
    assert not catalogue.get("SST39VF040").reads_at(5.0)


def test_idle_pins_float(catalogue: Catalogue) -> None:
    assert catalogue.get("AT28C64").levels(Mode.WRITE)[1] is Level.FLOAT  # RDY|NC
    assert catalogue.get("M27C1001").levels(Mode.PROGRAM)[30] is Level.FLOAT  # NC


def test_no_packaged_part_puts_high_voltage_on_a_plain_pin(catalogue: Catalogue) -> None:
    for part in catalogue:
        for mode in part.modes:
            for pin, level in part.levels(mode).items():
                jobs = part.signal_of(pin).split("|")
                assert level is not Level.VPP or "VPP" in jobs, (part.id, mode)
                assert level is not Level.ID or jobs == ["A9"], (part.id, mode)


def test_all_loops_and_semantics_are_covered(catalogue: Catalogue) -> None:
    writes = [part.write for part in catalogue if part.write]
    assert {write.loop for write in writes} == set(Loop)
    assert {write.semantics for write in writes} == set(Semantics)
    assert {part.kind for part in catalogue} == set(Kind)
    assert {part.width_bits for part in catalogue} == {8, 16}


def test_supply_checks_are_the_makers(catalogue: Catalogue) -> None:
    # Source: M27C512, M27C801, M27C160, M27C322 sheets: 6.0 V then 4.2 V; M27256, AT27C400, TMS27C020: 5 V.
    for name in ("M27C512", "M27C801", "M27C160", "M27C322"):
        assert catalogue.get(name).supplies.supply_checks_v == (6.0, 4.2)
    for name in ("M27256", "AT27C400", "TMS27C020"):
        assert catalogue.get(name).supplies.supply_checks_v == (5.0,)


def test_source_of_takes_the_most_exact_entry(m27c512: dict[str, Any]) -> None:
    src = {"supplies": "st-m27c512", "supplies.id_v": "computed", "modes": "memory", "modes.verify": "x"}
    part = Part.model_validate(m27c512 | {"src": src})
    assert part.source_of("supplies.vpp_program_v") == "st-m27c512"
    assert part.source_of("supplies.id_v") == "computed"
    assert part.source_of("modes.verify") == "x"
    assert part.source_of("modes.read") == "memory"
    assert part.source_of("write.pulse_us") == "memory"  # nobody speaks for it
    assert Part.model_validate(m27c512 | {"src": {"default": "y"}}).source_of("write.pulse_us") == "y"


@pytest.mark.parametrize("doubt", ["supplies.vpp_program_v", "write.pulse_us", "signature.device"])
def test_one_recalled_value_makes_a_part_recalled(m27c512: dict[str, Any], doubt: str) -> None:
    assert Part.model_validate(m27c512).confidence is Confidence.SEEN
    m27c512["src"][doubt] = "memory"
    assert Part.model_validate(m27c512).confidence is Confidence.MEMORY


def test_confidence_covers_commands(tables: Any) -> None:
    table = tables("amd-am29f040b")
    table["src"]["write.commands.chip-erase"] = "memory"
    assert Part.model_validate(table).confidence is Confidence.MEMORY


def test_a_part_without_writing_has_nothing_seen(mask_rom: Part) -> None:
    assert mask_rom.confidence is Confidence.MEMORY
    assert mask_rom.write is None


def test_signatures_compare_through_the_mask(catalogue: Catalogue) -> None:
    signature = catalogue.get("M27C160").signature
    assert signature.matches(0x0020, 0x00B1)
    assert signature.matches(0xFF20, 0xFFB1)
    assert not signature.matches(0x0020, 0x00B0)
    assert not catalogue.get("M2716").signature.matches(0, 0)


def test_a_part_is_frozen_and_round_trips(catalogue: Catalogue) -> None:
    for part in catalogue:
        assert Part.model_validate_json(part.model_dump_json()) == part
    with pytest.raises(ValidationError):
        catalogue.get("M27C512").words = 1


def test_the_slowest_grade_is_the_safe_one(catalogue: Catalogue) -> None:
    # Source: TMS27C020 sheet, grades 100 to 250 ns.
    assert catalogue.get("TMS27C020").slowest_access_ns == 250
