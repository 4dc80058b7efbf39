"""Parts, and a part descriptor made by hand from one: not by the daemon's code, which is judged elsewhere."""

from collections.abc import Callable

import pytest

from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.catalogue.terms import Level as PartLevel
from daemon.catalogue.terms import Mode as PartMode
from protocol.descriptor import Geometry, Loop, LoopKind, PartDescriptor, Semantics, Supplies
from protocol.wire import Level, Mode

Describe = Callable[..., PartDescriptor]


@pytest.fixture(scope="session")
def parts() -> Catalogue:
    return Catalogue()


@pytest.fixture(scope="session")
def describe() -> Describe:
    """Return a function of a part and a number of socket pins, bottom-justified."""
    return _describe


def _describe(part: Part, socket_pins: int | None = None) -> PartDescriptor:
    offset = ((socket_pins or len(part.pins)) - len(part.pins)) // 2
    named = {pin for table in part.modes.values() for name in table for pin in part.pin_numbers(name)}
    control = tuple(sorted(named - set(part.vcc_pins) - set(part.ground_pins)))

    def shifted(pins: tuple[int, ...]) -> tuple[int, ...]:
        return tuple(pin + offset for pin in pins)

    def levels(mode: PartMode) -> tuple[Level, ...]:
        table: dict[int, PartLevel] = part.levels(mode)
        return tuple(Level[table[pin].name] for pin in control)

    blank = part.blank_byte * 0x0101 & (1 << part.width_bits) - 1
    return PartDescriptor(
        geometry=Geometry(part.width_bits, Semantics.CLEAR_ONLY, part.words, blank, 250),
        address_pins=shifted(part.address_pins),
        data_pins=shifted(part.data_pins),
        control_pins=shifted(control),
        vcc_pins=shifted(part.vcc_pins),
        ground_pins=shifted(part.ground_pins),
        supplies=Supplies(5000, 4500, 5500, 6250, 12750, 12000, 250, 250, 7000, 14000, 13500),
        loop=Loop(LoopKind.NONE, 0, 0, 0),
        modes={Mode[mode.name]: levels(mode) for mode in part.modes},
    )
