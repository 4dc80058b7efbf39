"""Which pin of a position each pin of a chip meets, directly or through an adapter."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from daemon.catalogue.model import Part
from daemon.catalogue.substitution.nets import OPEN, Net
from daemon.catalogue.substitution.position import Position


@dataclass(frozen=True, slots=True)
class Route:
    """An adapter as far as a board sees it: chip pin -> plug pin, and chip pins that it ties itself."""

    name: str
    plug: str
    pins: Mapping[int, int]
    tied: Mapping[int, Net] = field(default_factory=dict)
    access_adds_ns: float = 0


@dataclass(frozen=True, slots=True)
class Contact:
    """What one chip pin meets. `position_pin` is None where the position has no pin for it."""

    net: Net
    position_pin: int | None


def contacts_of(part: Part, position: Position, route: Route | None = None) -> dict[int, Contact] | None:
    """Return chip pin -> contact for every pin; None when the packages do not go together.

    DIP packages are bottom-justified, by JEDEC's rule for byte-wide memories: pin p of n meets position pin
    p + (N - n) / 2 of N. Pins beyond either end hang over, and are open.
    """
    package = route.plug if route else part.package
    shift = _shift(package, position.package)
    if shift is None:
        return None
    result = {}
    for pin in range(1, len(part.pins) + 1):
        plug_pin = route.pins.get(pin) if route else pin
        if route and pin in route.tied:
            result[pin] = Contact(route.tied[pin], None)
        elif plug_pin is None or not 1 <= plug_pin + shift <= len(position.nets):
            result[pin] = Contact(OPEN, None)
        else:
            result[pin] = Contact(position.nets[plug_pin + shift - 1], plug_pin + shift)
    return result


def _shift(package: str, socket: str) -> int | None:
    if package == socket:
        return 0
    own, wanted = _DIP.fullmatch(package), _DIP.fullmatch(socket)
    if not own or not wanted:
        return None
    difference = int(wanted[1]) - int(own[1])
    return None if difference % 2 else difference // 2


_DIP = re.compile(r"DIP(\d+)")
