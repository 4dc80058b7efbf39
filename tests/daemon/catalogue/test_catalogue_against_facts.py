"""Every value that a source vouches for equals what was read in that source, and the other way round.

Source of all expected values: tests/data/chip_facts.toml, which names the data sheet of each.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import pytest

from daemon.catalogue.loader import Catalogue, packaged_pinouts, packaged_sources
from daemon.catalogue.model import COMPUTED, MEMORY, Part
from daemon.catalogue.terms import Command, Level, Loop, Mode, Placeholder, Polling

UNSEEN = {MEMORY, COMPUTED}
PART_IDS = [part.id for part in Catalogue()]

# Words of ours that class a part; the values they follow from are compared.
CLASSIFYING = {"write.semantics", "signature.method", "erase.method"}

# Facts that no field of a part holds: prose, figures for other variants, and sums of other facts.
UNUSED = {
    *("pulse_us_old", "vpp_abs_max_other", "access_ns_ti", "sig_temp_C", "note", "typ_program_other"),
    *("erase_wavelength_A", "light", "lamp_uW_cm2", "erase_distance", "erase_dose_note", "byte_mode"),
    *("write_cycle_us_max_E", "write_cycle_us_max_F", "chip_clear", "chip_erase", "id_area", "power_on"),
    *("endurance", "retention_years", "cmd_addr_mask", "sector_protect", "max_program_s", "sig_words"),
    *("uv_dose_abs_max_Ws_cm2", "sectors", "vpp_headline"),
}


@dataclass(frozen=True)
class Link:
    """One fact and the value of ours that must agree with it. `read` turns the fact into our form."""

    fact: str
    key: str
    read: Callable[[Any], Any] = lambda fact: fact
    agrees: Callable[[Any, Any], bool] = lambda ours, read: ours == read


def _loop(text: str) -> Loop:
    """Name the loop behind a maker's name for it (chip_facts.toml: overprogram and algorithm of each)."""
    if re.match("rapid|snap", text, re.I):
        return Loop.FIRST_PASS_THEN_VERIFY
    return Loop.SINGLE_PULSE if text.startswith("single pulse") else Loop.VERIFY_EACH_PULSE


def _unit_loop(text: str) -> Loop:
    return Loop.PAGE_WRITE if text.startswith("page") else Loop.BYTE_WRITE


def _overprogram(text: str) -> int:
    found = re.search(r"pulse of (\d)", text)
    return int(found[1]) if found else {"none": 0}[text.split(":")[0].split(";")[0].split(" ")[0]]


def _polling(text: str) -> Polling:
    assert re.search("data", text, re.I)
    return Polling.DATA


def _steps(text: str) -> tuple[tuple[Any, Any], ...]:
    places = {
        "BA": Placeholder.ADDRESS,
        "PA": Placeholder.ADDRESS,
        "SA": Placeholder.SECTOR,
        "PD": Placeholder.DATA,
        "data": Placeholder.DATA,
    }
    pairs = re.findall(r"(\w+)->(\w+)", text.split(";")[0])
    return tuple((places.get(a) or int(a, 16), places.get(d) or int(d, 16)) for d, a in pairs)


def _id_exit(text: str) -> int:
    return int(re.search(r"(?:exit|reset) (F0)", text)[1], 16)  # type: ignore[index]


def _half_width(band: list[float]) -> float:
    return (band[1] - band[0]) / 2


def _minutes(band: list[int]) -> str:
    words = f"{band[0]}" if band[0] == band[1] else f"{band[0]} to {band[1]}"
    return f"{words} minutes at 12 mW/cm2"


def _pulsed_pin(text: str) -> tuple[str, Level]:
    makers_name = re.match(r"[A-Z]+", text)
    assert makers_name
    name = {"E": "/CE", "CE": "/CE", "P": "/PGM", "PGM": "/PGM"}[makers_name[0]]
    return name, Level.PULSE_LOW


def _verify_levels(text: str) -> dict[str, Level]:
    """Read a line such as `G=VIL, E=VIH, VPP=12.5 V`; a shared pin at VIL means VPP is off it."""
    if re.match("G(VPP)? at VIL", text):
        return {"/OE|VPP": Level.LOW, "/CE": Level.LOW}
    names = {"G": "/OE", "E": "/CE", "P": "/PGM", "PGM": "/PGM"}
    levels = {"VIL": Level.LOW, "VIH": Level.HIGH}
    if text.startswith("CE high, OE low, VPP at VH"):
        return {"/CE": Level.HIGH, "/OE": Level.LOW}
    found = {names[n]: levels[v] for n, v in re.findall(r"(\w+)=(VI[LH])", text)}
    assert "VPP=" in text
    return found


def _holds(ours: Mapping[str, Level], read: Mapping[str, Level]) -> bool:
    """Every level read is in our mode; where VPP has a pin of its own or BYTE's, it stays applied."""
    shared = "/OE|VPP" in ours
    vpp = [level for name, level in ours.items() if "VPP" in name.split("|")]
    return read.items() <= ours.items() and (shared or vpp == [Level.VPP])


def _margin(ours: Mapping[str, Level], read: Level) -> bool:
    base = {"A9": Level.ID, "A8": Level.HIGH, "/OE|VPP": Level.VPP, "A10": read}
    return base.items() <= ours.items()


LINKS = (
    Link("maker", "maker", agrees=lambda ours, fact: fact.startswith(ours)),
    Link("package", "package", agrees=lambda ours, fact: ours in fact),
    Link("words", "words"),
    Link("bits", "width_bits"),
    Link("access_ns", "access_ns", tuple),
    Link("typ_program_s", "typical_program_s"),
    Link("typ_rewrite_s", "typical_program_s"),
    Link("blank", "blank_byte", {"all bits 1": 0xFF}.__getitem__),
    Link("vcc_read", "supplies.vcc_read_v"),
    Link("vcc_read_tol_pct", "supplies.vcc_read_tolerance_v", lambda pct: 5.0 * pct / 100),
    Link("vcc_read_range", "supplies.vcc_read_tolerance_v", _half_width),
    Link("vcc_program", "supplies.vcc_program_v"),
    Link("vcc_program_range", "supplies.vcc_program_range_v", tuple),
    Link("vcc_abs_max", "supplies.vcc_abs_max_v"),
    Link("vpp_program", "supplies.vpp_program_v"),
    Link("vpp_program_range", "supplies.vpp_program_range_v", tuple),
    Link("vpp_abs_max", "supplies.vpp_abs_max_v"),
    Link("a9_abs_max", "supplies.id_abs_max_v"),
    Link("a9_volts", "supplies.id_range_v", tuple),
    Link("a9_volts", "modes.signature", agrees=lambda ours, _: ours["A9"] == Level.ID),
    Link("final_verify_vcc", "supplies.supply_checks_v", tuple),
    Link("program_verify", "modes.verify", _verify_levels, _holds),
    Link("pulse_pin", "modes.program", _pulsed_pin, lambda ours, read: read in ours.items()),
    Link("margin_mode", "modes.margin-set", lambda _: Level.HIGH, _margin),
    Link("margin_mode", "modes.margin-reset", lambda _: Level.LOW, _margin),
    Link("algorithm", "write.loop", _loop),
    Link("write_unit", "write.loop", _unit_loop),
    Link("pulse_us", "write.pulse_us"),
    Link("pulse_ms", "write.pulse_us", lambda ms: ms * 1000),
    Link("pulse_us_range", "write.pulse_range_us", tuple),
    Link("pulse_ms_range", "write.pulse_range_us", lambda ms: (ms[0] * 1000, ms[1] * 1000)),
    Link("max_pulses", "write.max_pulses"),
    Link("overprogram", "write.overprogram_factor", _overprogram),
    Link("write_unit", "write.page_bytes", lambda text: int(re.findall(r"1-(\d+) bytes", text)[0])),
    Link("t_blc_us_max", "write.page_load_us_max"),
    Link("write_cycle_us_max", "write.write_cycle_us_max"),
    Link("byte_program_us_typ", "write.write_cycle_us_typ"),
    Link("byte_program_us_max", "write.write_cycle_us_max"),
    Link("poll", "write.polling", _polling),
    Link("sdp_rules", "write.lockable", lambda text: "stores nothing" in text),
    Link("sdp_enable", "write.commands.lock", _steps),
    Link("sdp_disable", "write.commands.unlock", _steps),
    Link("cmd_program", "write.commands.program", _steps),
    Link("cmd_program", "write.loop", lambda _: Loop.COMMAND),
    Link("cmd_sector_erase", "write.commands.sector-erase", _steps),
    Link("cmd_chip_erase", "write.commands.chip-erase", _steps),
    Link("cmd_id", "write.commands.id-enter", _steps),
    Link("cmd_id", "write.commands.id-exit", _id_exit, lambda ours, read: [s[1] for s in ours] == [read]),
    Link("sector_bytes", "sectors.size_bytes"),
    Link("sector_erase_ms_typ", "sectors.erase_ms_typ"),
    Link("sector_erase_s_typ", "sectors.erase_ms_typ", lambda s: s * 1000),
    Link("sector_erase_s_max", "sectors.erase_ms_max", lambda s: s * 1000),
    Link("chip_erase_ms_typ", "erase.chip_ms_typ"),
    Link("chip_erase_s_typ", "erase.chip_ms_typ", lambda s: s * 1000),
    Link("chip_erase_s_max", "erase.chip_ms_max", lambda s: s * 1000),
    # The sheets print signatures as bytes; the high byte of a 16-bit part is judged below.
    Link("sig_mfr", "signature.maker", agrees=lambda ours, fact: ours & 0xFF == fact),
    Link("sig_dev", "signature.device", agrees=lambda ours, fact: ours & 0xFF == fact),
    Link("erase_dose_Ws_cm2", "erase.dose_j_per_cm2"),
    Link("erase_minutes", "erase.makers_minutes", _minutes),
)
PIN_FACTS = {"pinout", "vpp_pin", "pgm_pin"}

# Places where a part deliberately holds no such value although the sheet has one.
LEFT_OUT = {
    # ID voltage is never used on this part: its absolute maximum leaves no room. Identified by command.
    ("amd-am29f040b", "supplies.id_range_v"),
    ("amd-am29f040b", "modes.signature"),
    # "entered automatically": nothing to set
    ("st-m27c160", "modes.margin-set"),
    ("st-m27c160", "modes.margin-reset"),
    # one byte at a time
    ("atmel-at28c64", "write.page_bytes"),
    # Minutes quoted by a poster on a mailing list, not by the maker.
    ("intel-2764", "erase.makers_minutes"),
}

# The front of a part's id -> the front of its name in the facts.
FACT_MAKERS = {
    "amd": "AMD",
    "atmel": "AT",
    "fairchild": "FSC",
    "intel": "INTEL",
    "microchip": "MC",
    "national": "NSC",
    "nte": "NTE",
    "sst": "SST",
    "st": "ST",
    "ti": "TI",
}
NO_FACTS: dict[str, Any] = {"src": {}}


def facts_of(part: Part, facts: Mapping[str, Any]) -> dict[str, Any]:
    """Find the facts of a part: ST-M27C512 for ST's M27C512; none for a part that nothing was read about."""
    maker = FACT_MAKERS.get(part.id.split("-")[0], "-")
    return dict(facts["parts"].get(f"{maker}-{part.name.removeprefix('NTE')}", NO_FACTS))


def test_the_facts_are_found(catalogue: Catalogue, facts: dict[str, Any]) -> None:
    """Nothing that was read about goes unused but what the catalogue cannot hold."""
    used = [facts_of(part, facts) for part in catalogue]
    unused = {name for name, table in facts["parts"].items() if table not in used}
    assert unused == {
        "INTEL-27C011",  # addressed by pages, through writes to a latch
        *("AMD-Am29F016D", "AMD-Am29F032B", "AMD-Am29F160D"),  # no DIP, and their pins were not read
    }


@pytest.mark.parametrize("part_id", PART_IDS)
def test_every_seen_fact_is_ours(part_id: str, catalogue: Catalogue, facts: dict[str, Any]) -> None:
    part = catalogue.get(part_id)
    table = facts_of(part, facts)
    seen = {name: table[name] for name, source in table["src"].items() if source not in UNSEEN}
    unknown = set(seen) - {link.fact for link in LINKS} - UNUSED - PIN_FACTS
    assert not unknown, f"facts that no test looks at: {unknown}"
    for link in LINKS:
        if link.fact not in seen or (part_id, link.key) in LEFT_OUT:
            continue
        source = table["src"][link.fact]
        if link.key == "access_ns" and part.source_of(link.key) == MEMORY:
            # A headline names the fastest grade only; slower ones are added from memory.
            assert set(seen["access_ns"]) <= set(part.access_ns)
            continue
        assert link.key in part.values, f"{link.key} was seen in {source} ({seen[link.fact]}) and is missing"
        ours = part.values[link.key]
        assert link.agrees(ours, link.read(seen[link.fact])), (link.key, ours, seen[link.fact])
        assert part.source_of(link.key) == source, link.key


@pytest.mark.parametrize("part_id", PART_IDS)
def test_nothing_claims_a_source_that_does_not_say_it(
    part_id: str, catalogue: Catalogue, facts: dict[str, Any]
) -> None:
    part = catalogue.get(part_id)
    table = facts_of(part, facts)
    for key in part.values:
        source = part.source_of(key)
        if source in UNSEEN or key in CLASSIFYING or key == "pins":
            continue
        said = [link.fact for link in LINKS if link.key == key and table["src"].get(link.fact) == source]
        assert said, f"{key} claims {source}, which does not give it"


@pytest.mark.parametrize("part_id", PART_IDS)
def test_pins_are_those_of_the_facts(part_id: str, catalogue: Catalogue, facts: dict[str, Any]) -> None:
    part = catalogue.get(part_id)
    table = facts_of(part, facts)
    if "pinout" not in table:
        assert part.pinout in packaged_pinouts()
        assert part.source_of("pins") == packaged_pinouts()[part.pinout].source
        return
    pinout = facts["pinouts"][table["pinout"]]
    assert list(part.pins) == pinout["signals"]
    assert part.source_of("pins") == pinout["source"]
    for fact, signal in (("vpp_pin", "VPP"), ("pgm_pin", "/PGM")):
        if fact in table:
            assert part.pin_number(signal) == int(str(table[fact]).split()[0])


def test_sources_are_those_of_the_facts(facts: dict[str, Any]) -> None:
    for name, source in packaged_sources().items():
        assert (source.maker, source.title) == (
            facts["sources"][name]["maker"],
            facts["sources"][name]["title"],
        )


def test_sectors_fill_the_parts(catalogue: Catalogue, facts: dict[str, Any]) -> None:
    for name in ("sst-39sf010a", "sst-39sf020a", "sst-39sf040", "amd-am29f040b"):
        part = catalogue.get(name)
        assert part.sectors
        assert part.size_bytes // part.sectors.size_bytes == facts_of(part, facts)["sectors"]


def test_words_of_sixteen_bits_compare_what_the_sheet_gives(catalogue: Catalogue) -> None:
    # Source: AT27C400 sheet, "1E1E / F4F4 on 16 bits" (chip_facts.toml, sig_words).
    at27c400 = catalogue.get("AT27C400").signature
    assert (at27c400.maker, at27c400.device, at27c400.mask) == (0x1E1E, 0xF4F4, None)
    for name in ("M27C160", "M27C322", "Am27C1024"):
        assert catalogue.get(name).signature.mask == 0x00FF  # only the low byte was seen


def test_the_command_for_locking_is_no_write(catalogue: Catalogue) -> None:
    part = catalogue.get("AT28C256")
    assert part.write
    assert Command.PROGRAM not in part.write.commands
    assert Mode.SIGNATURE not in part.modes
