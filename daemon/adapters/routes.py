"""Adapters as boards see them: for asking which parts can stand in a position by way of one."""

from collections.abc import Iterable, Iterator, Mapping

from daemon.adapters.model import Adapter, Tie
from daemon.adapters.seating import is_made_for
from daemon.catalogue.model import Part
from daemon.catalogue.substitution.contacts import Route
from daemon.catalogue.substitution.nets import GROUND, VCC, Net

_NETS: Mapping[Tie, Net] = {Tie.VCC: VCC, Tie.GROUND: GROUND}


def routes_for(parts: Iterable[Part], adapters: Iterable[Adapter]) -> Iterator[tuple[Part, Route]]:
    """Yield every part in the package of every adapter that takes it, with the adapter's route.

    Adapters with switches are left out: a board has nobody who sets them.
    """
    usable = [adapter for adapter in adapters if not adapter.switched]
    for part in parts:
        for adapter in usable:
            if adapter.package not in (part.package, *part.also_in):
                continue
            chip = part.in_package(adapter.package)
            if is_made_for(adapter, chip):
                yield chip, route_of(adapter)


def route_of(adapter: Adapter) -> Route:
    """Return the adapter as a board sees it."""
    return Route(
        name=adapter.name,
        plug=adapter.plug,
        pins=adapter.plug_pins,
        tied={pin: _NETS[tie] for pin, tie in adapter.tied.items()},
        access_adds_ns=adapter.limits.access_adds_ns,
    )
