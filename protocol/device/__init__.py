"""The device's end of the wire: what stands between the bytes and the pins."""

from protocol.device.limits import LinkLimits
from protocol.device.link import DeviceLink
from protocol.device.requests import Accepted, Outcome, nothing_done
from protocol.device.states import MOVES, DeviceState, IllegalMoveError, Move

__all__ = [
    "MOVES",
    "Accepted",
    "DeviceLink",
    "DeviceState",
    "IllegalMoveError",
    "LinkLimits",
    "Move",
    "Outcome",
    "nothing_done",
]
