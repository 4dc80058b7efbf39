"""Programmers that can do everything, for tests of what is made for them."""

from protocol.identity import Identity, SupplyRange
from protocol.wire import Capability, SupplyKind

EVERY = frozenset(range(1, 49))
FULL = Identity(
    socket_pins=48,
    capabilities=~Capability.NONE,
    drive_pins=EVERY,
    sense_pins=EVERY,
    vcc_pins=EVERY,
    vpp_pins=EVERY,
    id_pins=EVERY,
    ground_pins=EVERY,
    vcc=SupplyRange(SupplyKind.ADJUSTABLE, 2500, 7000, 50, 50, 250),
    vpp=SupplyRange(SupplyKind.ADJUSTABLE, 5000, 26000, 50, 100, 120),
    id=SupplyRange(SupplyKind.ADJUSTABLE, 10500, 13500, 50, 100, 10),
)
