"""Programmers that can do everything, for tests of what is made for them."""

from protocol.identity import Identity
from protocol.wire import Capability

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
)
