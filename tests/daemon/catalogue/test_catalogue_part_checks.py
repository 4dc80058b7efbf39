"""A part that contradicts itself is refused, with the key and a reason that names the numbers."""

from typing import Any

import pytest
from pydantic import ValidationError

from daemon.catalogue.checks import Fault
from daemon.catalogue.model import Part


def faults_of(table: dict[str, Any]) -> list[Fault]:
    with pytest.raises(ValidationError) as caught:
        Part.model_validate(table)
    (entry,) = caught.value.errors()
    assert entry["type"] == "part"
    return list(entry["ctx"]["faults"])


def spoil(table: dict[str, Any], dotted: str, value: object) -> None:
    """Set the value at a dotted key; None takes it away."""
    *front, last = dotted.split(".")
    for step in front:
        table = table[step]
    if value is None:
        del table[last]
    else:
        table[last] = value


# On the M27C512: key, bad value, key that is blamed, words that the reason must hold.
BAD: list[tuple[str, object, str, str]] = [
    ("package", "DIP32", "pins", "28 pins are named but the package is DIP32"),
    ("words", 32768, "pins", "pin 1 is A15, but the part has 15 address bits"),
    ("words", 131072, "pins", "address signal A16 is on no pin"),
    ("width_bits", 16, "pins", "data signal D8 is on no pin"),
    ("modes.read", None, "modes.read", "is missing"),
    ("modes.inhibit", None, "modes.inhibit", "is missing"),
    ("modes.signature", None, "modes.signature", "is missing"),
    ("modes.margin-reset", None, "modes", "come together"),
    ("modes.read", {"/CE": "low"}, "modes.read", "says nothing about /OE|VPP"),
    ("modes.read", {"/CE": "low", "/OE": "low"}, "modes.read", "no pin named /OE"),
    ("modes.read", {"/CE": "low", "/OE|VPP": "vpp"}, "modes.read", "applies VPP"),
    ("modes.read", {"/CE": "low", "/OE|VPP": "low", "A9": "id"}, "modes.read", "applies the ID voltage"),
    ("modes.read", {"/CE": "vpp", "/OE|VPP": "low"}, "modes.read", "only a pin that carries VPP"),
    ("modes.read", {"/CE": "id", "/OE|VPP": "low"}, "modes.read", "only A9 may have"),
    ("modes.read", {"/CE": "low", "/OE|VPP": "low", "A8": "id"}, "modes.read", "only A9 may have"),
    ("modes.read", {"/CE": "data", "/OE|VPP": "low"}, "modes.read", "only a data pin"),
    ("modes.read", {"/CE": "address", "/OE|VPP": "low"}, "modes.read", "only an address pin"),
    ("modes.read", {"/CE": "low", "/OE|VPP": "low", "VCC": "low"}, "modes.read", "VCC is a supply pin"),
    ("modes.read", {"/CE": "pulse-low", "/OE|VPP": "low"}, "modes.read", "has 1 pulsed pins; it needs 0"),
    ("modes.program", {"/CE": "low", "/OE|VPP": "vpp"}, "modes.program", "has 0 pulsed pins; it needs 1"),
    ("modes.signature", {"/CE": "low", "/OE|VPP": "low"}, "modes.signature", "must put the ID voltage on A9"),
    (
        "supplies.vpp_program_v",
        13.5,
        "supplies.vpp_program_v",
        "13.5 V lies outside its range 12.5 to 13.0 V",
    ),
    (
        "supplies.vpp_abs_max_v",
        12.9,
        "supplies.vpp_program_v",
        "13.0 V is over the absolute maximum of 12.9 V",
    ),
    ("supplies.vpp_abs_max_v", None, "supplies.vpp_abs_max_v", "is missing"),
    ("supplies.vpp_program_v", None, "supplies.vpp_program_v", "is missing"),
    ("supplies.vcc_program_v", None, "supplies.vcc_program_v", "is missing"),
    ("supplies.vcc_abs_max_v", 6.4, "supplies.vcc_program_v", "6.5 V is over the absolute maximum of 6.4 V"),
    ("supplies.id_abs_max_v", 12.4, "supplies.id_v", "12.5 V is over the absolute maximum of 12.4 V"),
    ("supplies.id_v", None, "supplies.id_v", "is missing"),
    ("supplies.supply_checks_v", [7.5], "supplies.supply_checks_v", "7.5 V is over the absolute maximum"),
    ("supplies.vcc_read_tolerance_v", 5.0, "supplies.vcc_read_tolerance_v", "as large as the supply"),
    ("write.semantics", "overwrite", "write.semantics", "clear-only, not overwrite"),
    ("write.loop", "page-write", "write.semantics", "page-write part is overwrite"),
    ("write.pulse_us", None, "write.pulse_us", "is missing"),
    ("write.max_pulses", None, "write.max_pulses", "is missing"),
    ("write.pulse_us", 200, "write.pulse_us", "200 us lies outside its range 95 to 105 us"),
    ("write.loop", "single-pulse", "write.max_pulses", "1 pulse, not 25"),
    ("write.lockable", True, "write.commands.lock", "is missing"),
    ("write", None, "write", "is missing"),
    ("kind", "mask-rom", "write", "cannot be written"),
    ("kind", "flash", "erase.method", "flash is erased by electrical, not uv"),
    ("kind", "otp-eprom", "erase.method", "erased by none, not uv"),
    ("erase.dose_j_per_cm2", None, "erase.dose_j_per_cm2", "is missing"),
    ("signature.device", None, "signature.device", "is missing"),
    ("signature.device", 0x13D, "signature.device", "0x13d does not fit 8 bits"),
    ("signature.method", "none", "signature.maker", "needs a method"),
    ("signature.method", "command", "write.commands.id-enter", "is missing"),
    ("src.supplies.vpp_progam_v", "memory", "src.supplies.vpp_progam_v", "no such value"),
]


@pytest.mark.parametrize(("key", "value", "blamed", "words"), BAD)
def test_a_part_that_contradicts_itself(
    m27c512: dict[str, Any], key: str, value: object, blamed: str, words: str
) -> None:
    if key.startswith("src."):
        m27c512["src"][key.removeprefix("src.")] = value
    else:
        spoil(m27c512, key, value)
    found = faults_of(m27c512)
    assert [fault for fault in found if fault.key == blamed and words in fault.reason], found


def test_all_faults_are_told_at_once(m27c512: dict[str, Any]) -> None:
    spoil(m27c512, "supplies.vpp_abs_max_v", 12.0)
    spoil(m27c512, "write.max_pulses", None)
    spoil(m27c512, "signature.device", 0x13D)
    assert {f.key for f in faults_of(m27c512)} == {
        "supplies.vpp_program_v",
        "write.max_pulses",
        "signature.device",
    }


def test_signals_stand_on_one_pin_each(m27c512: dict[str, Any]) -> None:
    names = list(m27c512["pins"])
    names[names.index("A8")] = "A9"
    names[names.index("D0")] = "VCC"
    names[names.index("GND")] = "NC"
    m27c512["pins"] = names
    reasons = [fault.reason for fault in faults_of(m27c512)]
    assert "address signal A9 is on pins 24 and 25; it needs exactly one" in reasons
    assert "address signal A8 is on no pin; it needs exactly one" in reasons
    assert "data signal D0 is on no pin; it needs exactly one" in reasons
    assert "VCC is on more than one pin" in reasons
    assert "no pin is GND" in reasons


def test_a_pin_that_is_meant_is_offered_first(m27c512: dict[str, Any]) -> None:
    m27c512["modes"]["read"] = {"/CE": "low", "/OE": "low"}
    (fault, _) = faults_of(m27c512)
    assert fault.choices == ("/OE|VPP",)


def test_a_name_on_several_pins_gets_no_level(mask_rom: Part) -> None:
    table = mask_rom.model_dump(exclude_unset=True)
    names = list(table["pins"])
    names[0] = "/OE|X"
    table["pins"] = names
    table["modes"] = {m: {"/CE": "low", "/OE": "low", "/OE|X": "low"} for m in ("standby", "read")}
    assert {fault.reason for fault in faults_of(table)} == {
        "more than one pin carries /OE, so it cannot be given a level"
    }


# On the SST39SF040: the name of a command sequence, its steps, words of the reason.
BAD_COMMANDS: list[tuple[str, object, str]] = [
    ("program", None, "is missing"),
    ("id-exit", None, "is missing"),
    ("sector-erase", None, "is missing"),
    ("program", [[0x5555, 0xAA], [0x2AAA, 0x55]], "must use address and data and uses no placeholder"),
    ("program", [["data", "address"]], '"data" second'),
    ("chip-erase", [["sector", 0x30]], "must use no placeholder and uses sector"),
    ("id-enter", [[0x80000, 0x90]], "address 0x80000 is outside the part's 0x80000 words"),
    ("id-enter", [[0x5555, 0x190]], "data 0x190 does not fit 8 bits"),
]


@pytest.mark.parametrize(("name", "steps", "words"), BAD_COMMANDS)
def test_command_sequences(tables: Any, name: str, steps: object, words: str) -> None:
    table = tables("sst-39sf040")
    spoil(table, f"write.commands.{name}", steps)
    found = faults_of(table)
    assert [f for f in found if f.key == f"write.commands.{name}" and words in f.reason], found


@pytest.mark.parametrize(
    ("part_id", "key", "value", "blamed", "words"),
    [
        ("sst-39sf040", "sectors.size_bytes", 5000, "sectors.size_bytes", "no whole number of sectors"),
        ("sst-39sf040", "sectors.erase_ms_typ", 30, "sectors.erase_ms_typ", "over the longest time"),
        ("sst-39sf040", "erase.chip_ms_typ", 300, "erase.chip_ms_typ", "over the longest time"),
        ("sst-39sf040", "erase.chip_ms_max", None, "erase.chip_ms_max", "is missing"),
        ("sst-39sf040", "write.write_cycle_us_typ", 30, "write.write_cycle_us_typ", "over the longest time"),
        ("sst-39sf040", "write.write_cycle_us_max", None, "write.write_cycle_us_max", "is missing"),
        ("sst-39sf040", "modes.write", None, "modes.write", "is missing"),
        ("sst-39sf040", "erase", {"method": "none"}, "erase.method", "must be erasable electrically"),
        (
            "sst-39sf040",
            "write.overprogram_factor",
            3,
            "write.overprogram_factor",
            "no meaning in a command loop",
        ),
        ("atmel-at28c256", "write.page_bytes", 60, "write.page_bytes", "no whole number of pages"),
        ("atmel-at28c256", "write.page_bytes", None, "write.page_bytes", "is missing"),
        ("atmel-at28c256", "erase", {"method": "electrical"}, "erase.method", "command sequence"),
        ("atmel-at28c256", "erase", {"method": "none", "dose_j_per_cm2": 15}, "erase.dose_j_per_cm2", "UV"),
        ("ti-tms27c020", "write.overprogram_factor", 3, "write.overprogram_factor", "verify-each-pulse"),
        ("st-m2716", "write.max_pulses", 2, "write.max_pulses", "1 pulse, not 2"),
        ("winbond-w27c512", "erase.pulse_ms", None, "erase.pulse_ms", "is missing"),
        ("winbond-w27c512", "erase.max_pulses", None, "erase.max_pulses", "is missing"),
        ("winbond-w27c512", "erase.pulse_ms", 90, "erase.pulse_ms", "outside its range 95 to 105 ms"),
        ("winbond-w27c512", "erase.chip_ms_max", 1999, "erase.chip_ms_max", "less than the 2000 ms of all"),
        ("winbond-w27c512", "erase.verify_v", 7.5, "erase.verify_v", "over the absolute maximum of 7.0 V"),
        ("winbond-w27c512", "erase", {"method": "none"}, "modes.erase", "parts erased electrically"),
        ("winbond-w27c512", "modes.erase", None, "erase.pulse_ms", "modes.erase is missing"),
        ("winbond-w27c512", "modes.erase", None, "erase.method", "or an erase mode"),
        ("winbond-w27c512", "supplies.erase_v", None, "supplies.erase_v", "is missing"),
        ("winbond-w27c512", "supplies.vcc_erase_v", None, "supplies.vcc_erase_v", "is missing"),
        ("winbond-w27c512", "supplies.erase_v", 13.5, "supplies.erase_v", "outside its range 13.75 to 14.25"),
        (
            "winbond-w27c512",
            "supplies.vpp_abs_max_v",
            14.0,
            "supplies.erase_v",
            "14.25 V is over the absolute",
        ),
        (
            "winbond-w27c512",
            "supplies.id_abs_max_v",
            14.0,
            "supplies.erase_v",
            "14.25 V is over the absolute",
        ),
        ("winbond-w27c512", "modes.erase", {"/CE": "low", "/OE|VPP": "vpp"}, "modes.erase", "0 pulsed pins"),
        ("st-m27c1001", "unused_pins", {"/OE": "level"}, "unused_pins./OE", "reading needs /OE low"),
        ("st-m27c1001", "unused_pins", {"A16": "any"}, "unused_pins.A16", "one that reading needs"),
        ("st-m27c1001", "unused_pins", {"PGM": "any"}, "unused_pins.PGM", "is no pin of this package"),
        ("st-m27c1001", "also_in", {"DIP32": ["NC"] * 32}, "also_in.DIP32", "described in already"),
        ("st-m27c1001", "also_in", {"SOP28": ["NC"] * 32}, "also_in.SOP28", "32 pins are named but"),
        ("st-m27c1001", "also_in", {"SOP32": ["NC"] * 32}, "also_in.SOP32", "lacks /CE, /OE, /PGM, A0"),
    ],
)
def test_other_kinds(tables: Any, part_id: str, key: str, value: object, blamed: str, words: str) -> None:
    table = tables(part_id)
    table["src"] = {}
    spoil(table, key, value)
    found = faults_of(table)
    assert [fault for fault in found if fault.key == blamed and words in fault.reason], found


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("words", "65536"),
        ("words", True),
        ("words", 0),
        ("words", 1 << 40),
        ("width_bits", 12),
        ("blank_byte", 256),
        ("access_ns", []),
        ("supplies.vpp_program_v", float("nan")),
        ("supplies.vpp_program_v", float("inf")),
        ("supplies.vpp_program_v", -12.75),
        ("supplies.vpp_program_v", 400.0),
        ("supplies.vpp_program_range_v", [13.0, 12.5]),
        ("supplies.supply_checks_v", []),
        ("write.max_pulses", 0),
        ("write.pulse_us", 0),
        ("write.lockable", "yes"),
        ("modes.read", {"/CE": "lo"}),
        ("modes.sleep", {"/CE": "low"}),
        ("supplies.vpp_v", 12.0),
        ("id", "ST M27C512"),
        ("package", "28"),
    ],
)
def test_values_out_of_their_type(m27c512: dict[str, Any], key: str, value: object) -> None:
    spoil(m27c512, key, value)
    with pytest.raises(ValidationError) as caught:
        Part.model_validate(m27c512)
    assert caught.value.errors()[0]["type"] != "part"
    assert ".".join(map(str, caught.value.errors()[0]["loc"])).startswith(key)


def test_another_package_may_not_have_signals_of_its_own(tables: Any) -> None:
    table = tables("st-m27c1001")
    names = list(table["pins"])
    names[29] = "/WE"  # where the NC was
    table["also_in"] = {"PLCC32": names}
    (fault,) = faults_of(table)
    assert fault.reason == "does not carry the signals of the DIP32: has /WE besides"
