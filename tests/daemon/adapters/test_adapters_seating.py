"""Parts on adapters: pins that meet, pins that do not, banks, and what can only be read."""

from collections.abc import Callable
from contextlib import suppress
from typing import Any

import pytest

from daemon.adapters.files import Adapters
from daemon.adapters.model import Adapter
from daemon.adapters.routes import routes_for
from daemon.adapters.seating import Seated, seat
from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.catalogue.terms import Level, Mode
from daemon.errors import BenchError, Code

CATALOGUE = Catalogue()
ADAPTERS = Adapters()


def seated(part: str, adapter: str, bank: int = 0) -> Seated:
    return seat(CATALOGUE.get(part), ADAPTERS.get(adapter), bank)


Changed = Callable[..., Adapter]


@pytest.fixture
def changed() -> Changed:
    """Give a packaged adapter with some fields changed."""

    def _changed(adapter: str, **fields: Any) -> Adapter:
        return Adapter.model_validate(ADAPTERS.get(adapter).model_dump() | fields)

    return _changed


def refusal(part: str, adapter: Adapter, bank: int = 0) -> BenchError:
    with pytest.raises(BenchError) as caught:
        seat(CATALOGUE.get(part), adapter, bank)
    assert caught.value.code is Code.ADAPTER_DOES_NOT_FIT
    assert caught.value.field == "adapter"
    return caught.value


@pytest.mark.parametrize(
    ("part", "adapter", "same_signal"),
    [
        # The plug must carry what the DIP part carries there: the part's own DIP pinout is the reference.
        ("M27C512", "plcc32-to-dip28", True),
        ("AT28C256", "plcc32-to-dip28", True),
        ("AT28C256", "sop28-to-dip28", True),
        ("M27C1001", "plcc32-to-dip32", True),
        ("SST39SF040", "plcc32-to-dip32", True),
        ("AT27C040", "sop32-to-dip32", True),
        ("M27C160", "so44-to-dip42", True),
    ],
)
def test_a_chip_in_another_package_meets_the_pins_of_its_own_dip(
    part: str, adapter: str, same_signal: bool
) -> None:
    found = seated(part, adapter)
    dip = CATALOGUE.get(part)
    assert found.part.package == found.adapter.package
    met = {plug: found.part.signal_of(pin) for pin, plug in found.plug_pins.items()}
    wanted = {pin: name for pin, name in enumerate(dip.pins, 1) if name != "NC"}
    assert {pin: met.get(pin) for pin in wanted} == wanted
    assert found.read_only_because is None


def test_every_adapter_takes_some_part() -> None:
    def takes(adapter: Adapter, part: Part) -> bool:
        with suppress(BenchError):
            return seat(part, adapter).adapter is adapter
        return False

    for adapter in ADAPTERS:
        assert any(takes(adapter, part) for part in CATALOGUE), adapter.id


def test_a_28_pin_chip_gets_its_supply_on_pin_32() -> None:
    # Source: chip_facts.toml section 5: bottom-justified, a 28-pin chip has VCC where pin 30 is.
    found = seated("M27C512", "dip28-in-dip32")
    assert found.plug_pins[28] == 32
    assert [found.plug_pins[pin] for pin in (1, 14, 27)] == [3, 16, 29]


def test_a_2716_gets_vpp_from_pin_1() -> None:
    # Source: chip_facts.toml: VPP of a 2716 on pin 21, of a 27256 on pin 1; VCC on 24 and 28.
    found = seated("M2716", "dip24-2716-in-dip28")
    assert (found.plug_pins[21], found.plug_pins[24]) == (1, 28)
    error = refusal("M2732A", ADAPTERS.get("dip24-2716-in-dip28"))
    assert "is made for the pinouts dip24_2716, and M2732A has other pins" in error.message


@pytest.mark.parametrize("bank", [0, 1, 2, 3])
def test_banks_of_a_chip_with_more_pins_than_the_socket(bank: int) -> None:
    # Source: M27C160 sheet: 1 M words, A18 on pin 1 and A19 on pin 42.
    found = seated("M27C160", "dip42-in-dip40", bank)
    assert (found.banks, found.part.words, found.first_word) == (4, 1 << 18, bank << 18)
    assert found.switches == {"A18": bank & 1, "A19": bank >> 1}
    assert found.part.address_bits == 18
    assert {found.plug_pins[pin] for pin in found.part.address_pins} <= set(range(1, 41))
    whole = CATALOGUE.get("M27C160")
    assert found.part.levels(Mode.READ)[11] is whole.levels(Mode.READ)[11] is Level.LOW
    assert found.part.source_of("write.pulse_us") == whole.source_of("write.pulse_us")
    assert found.part.confidence is whole.confidence


def test_there_are_no_more_banks_than_switches_make() -> None:
    assert (
        "has banks 0 to 3; there is no bank 4"
        in refusal("M27C160", ADAPTERS.get("dip42-in-dip40"), 4).message
    )
    assert (
        "has no switches, so only bank 0; there is no bank 1"
        in refusal("M27C512", ADAPTERS.get("plcc32-to-dip28"), 1).message
    )


def test_switches_hold_the_highest_lines(changed: Changed) -> None:
    error = refusal("M27C160", changed("dip42-in-dip40", switched=(42, 1)))
    assert "must hold the highest address lines (A18 and A19, lowest first)" in error.message


def test_a_part_that_is_not_sold_in_the_package() -> None:
    error = refusal("M2716", ADAPTERS.get("plcc32-to-dip28"))
    assert error.message == "PLCC32 in a DIP28 socket takes a PLCC32; M2716 is a DIP24, not a PLCC32"
    assert error.details == {"adapter": "plcc32-to-dip28", "part": "st-m2716"}


def test_a_part_of_another_family() -> None:
    error = refusal("M27C512", ADAPTERS.get("plcc32-to-dip32"))
    assert "dip32_27c080 and 7 more, and M27C512 has other pins" in error.message


def test_a_pin_that_goes_nowhere(changed: Changed) -> None:
    pins = list(ADAPTERS.get("sop28-to-dip28").pins)
    pins[19] = 0
    error = refusal("AT28C256", changed("sop28-to-dip28", pins=pins))
    assert error.message == "SOP28 in a DIP28 socket leaves open what reading needs (pin 20, /CE)"
    assert (error.details["pin"], error.details["signal"]) == (20, "/CE")


def test_a_pin_tied_the_wrong_way(changed: Changed) -> None:
    adapter = changed("28c256-as-27c256", tied={27: "ground"})
    assert "ties to ground what reading needs otherwise (pin 27, /WE)" in refusal("AT28C256", adapter).message
    pins = list(ADAPTERS.get("28c256-as-27c256").pins)
    pins[0] = 0
    adapter = changed("28c256-as-27c256", pins=pins, tied={1: "vcc", 27: "vcc"})
    assert "(pin 1, A14)" in refusal("AT28C256", adapter).message


@pytest.mark.parametrize(
    ("part", "adapter", "fields", "words"),
    [
        ("AT28C256", "28c256-as-27c256", {}, "ties /WE (pin 27) to vcc, and write needs it pulse-low"),
        ("intel-2764", "2764-as-2364", {}, "ties VPP (pin 1) to vcc, and program needs it vpp"),
        (
            "M2716",
            "dip24-in-dip28",
            {"limits": {"vpp_max_v": 15.0}},
            "stands 15 V and M2716 is programmed with 25 V",
        ),
        ("M2716", "dip24-in-dip28", {"limits": {"read_only": True}}, "passes data one way only"),
    ],
)
def test_what_can_only_be_read_says_why(
    part: str, adapter: str, fields: dict[str, Any], words: str, changed: Changed
) -> None:
    found = seat(CATALOGUE.get(part), changed(adapter, **fields))
    assert found.read_only_because
    assert words in found.read_only_because


def test_boards_have_nobody_to_set_switches() -> None:
    parts = [CATALOGUE.get("M27C160"), CATALOGUE.get("AT28C256")]
    names = {route.name for _, route in routes_for(parts, ADAPTERS)}
    assert "28C256 in the place of a 27C256" in names
    assert ADAPTERS.get("dip42-in-dip40").name not in names
