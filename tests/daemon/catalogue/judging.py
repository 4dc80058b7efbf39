"""How the tests ask for a verdict on a stand-in."""

from collections.abc import Callable

from daemon.catalogue.loader import Catalogue
from daemon.catalogue.substitution.nets import net
from daemon.catalogue.substitution.position import Position, position_for
from daemon.catalogue.substitution.verdict import StandIn

Judged = Callable[..., StandIn]


def starts(found: StandIn) -> tuple[int, ...]:
    assert found.arrangement
    return found.arrangement.starts()


def position(catalogue: Catalogue, **nets: str) -> Position:
    """The position of a 27C256 with some pins changed."""
    changed = {int(pin[1:]): net(text) for pin, text in nets.items()}
    return position_for(catalogue.get("M27C256B"), nets=changed)
