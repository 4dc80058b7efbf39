"""Parts on adapters in a socket: the descriptor speaks of the pins that the chip really meets."""

from dataclasses import replace

import pytest

from daemon.adapters.files import Adapters
from daemon.adapters.seating import seat
from daemon.catalogue.loader import Catalogue
from daemon.errors import BenchError, Code
from daemon.programmers.fitting import Fit, can_identify, describe, fit_directly, fit_through
from protocol.descriptor import LoopKind
from protocol.wire import Level, Mode
from tests.support.identities import FULL

CATALOGUE = Catalogue()
ADAPTERS = Adapters()


def fitted(part: str, adapter: str, pins: int = 32, bank: int = 0) -> Fit:
    seated = seat(CATALOGUE.get(part), ADAPTERS.get(adapter), bank)
    return fit_through(seated, replace(FULL, socket_pins=pins))


@pytest.mark.parametrize(
    ("part", "adapter", "pins"),
    [
        ("M27C512", "plcc32-to-dip28", 28),
        ("M27C512", "plcc32-to-dip28", 32),
        ("M27C1001", "plcc32-to-dip32", 32),
        ("AT28C256", "sop28-to-dip28", 40),
        ("M27C160", "so44-to-dip42", 48),
    ],
)
def test_a_chip_in_another_package_is_described_like_its_dip(part: str, adapter: str, pins: int) -> None:
    identity = replace(FULL, socket_pins=pins)
    through = describe(fitted(part, adapter, pins), identity)
    directly = describe(fit_directly(CATALOGUE.get(part), identity), identity)
    assert through.address_pins == directly.address_pins
    assert through.data_pins == directly.data_pins
    assert (through.vcc_pins, through.ground_pins) == (directly.vcc_pins, directly.ground_pins)
    for mode, levels in directly.modes.items():
        ours = dict(zip(through.control_pins, through.modes[mode], strict=True))
        assert ours == dict(zip(directly.control_pins, levels, strict=True))
    assert (through.loop, through.supplies) == (directly.loop, directly.supplies)


def test_vpp_of_a_2716_comes_from_pin_1_of_the_socket() -> None:
    # Source: chip_facts.toml: VPP on pin 21 of a 2716, on pin 1 of a 28-pin part.
    identity = replace(FULL, socket_pins=28)
    descriptor = describe(fitted("M2716", "dip24-2716-in-dip28", 28), identity)
    program = dict(zip(descriptor.control_pins, descriptor.modes[Mode.PROGRAM], strict=True))
    assert program[1] is Level.VPP
    assert descriptor.vcc_pins == (28,)


def test_a_part_that_can_only_be_read_is_described_so() -> None:
    fit = fitted("AT28C256", "28c256-as-27c256", 28)
    descriptor = describe(fit, replace(FULL, socket_pins=28))
    assert fit.read_only_because
    assert "/WE (pin 27)" in fit.read_only_because
    assert set(descriptor.modes) == {Mode.STANDBY, Mode.READ}
    assert descriptor.loop.kind is LoopKind.NONE
    assert (descriptor.page, descriptor.sequences) == (None, {})
    assert 1 not in descriptor.address_pins  # A14 goes to plug pin 27
    assert descriptor.address_pins[14] == 27
    assert 27 not in descriptor.control_pins


def test_a_flash_that_cannot_be_written_cannot_be_asked_who_it_is() -> None:
    fit = fitted("SST39SF040", "29f040-as-27c040")
    assert not can_identify(fit, FULL)
    assert can_identify(fit_directly(CATALOGUE.get("SST39SF040"), FULL), FULL)


def test_a_bank_has_the_lines_that_the_socket_has() -> None:
    identity = replace(FULL, socket_pins=40)
    fit = fitted("M27C160", "dip42-in-dip40", 40, bank=3)
    descriptor = describe(fit, identity)
    assert len(descriptor.address_pins) == 18
    assert descriptor.geometry.size_words == 1 << 18
    assert max(descriptor.address_pins + descriptor.data_pins) <= 40
    assert fit.adapter == "dip42-in-dip40"


def test_a_plug_that_is_larger_than_the_socket() -> None:
    with pytest.raises(BenchError) as caught:
        fitted("M27C160", "so44-to-dip42", 40)
    assert caught.value.code is Code.PART_DOES_NOT_FIT
    assert caught.value.message.startswith(
        "SO44 in a DIP42 socket has the plug of a DIP42; this programmer takes"
    )
