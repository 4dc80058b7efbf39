"""The states of a device and the moves between them (`SPEC.md` section 4)."""

from enum import Enum, auto


class DeviceState(Enum):
    """Where the device stands. STOPPING is the time in which it ends a pulse and discharges."""

    NO_SESSION = auto()
    OPEN = auto()
    ENERGISED = auto()
    RUNNING = auto()
    STOPPING = auto()
    FAULTED = auto()


class Move(Enum):
    """What takes the device from one state to the next."""

    BEGIN = auto()
    """The first request in the queue is begun."""
    STOP = auto()
    """HELLO, ABORT or the watchdog wants everything ended and the supplies off."""
    REST_OPEN = auto()
    REST_ENERGISED = auto()
    REST_FAULTED = auto()


_RESTING = {
    Move.BEGIN: DeviceState.RUNNING,
    Move.STOP: DeviceState.STOPPING,
    # A fault may be latched with nothing running: the socket was opened, a supply drifted away.
    Move.REST_FAULTED: DeviceState.FAULTED,
}

MOVES: dict[DeviceState, dict[Move, DeviceState]] = {
    DeviceState.NO_SESSION: {Move.STOP: DeviceState.STOPPING},
    DeviceState.OPEN: _RESTING,
    DeviceState.ENERGISED: _RESTING,
    DeviceState.FAULTED: _RESTING,
    DeviceState.RUNNING: {
        Move.STOP: DeviceState.STOPPING,
        Move.REST_OPEN: DeviceState.OPEN,
        Move.REST_ENERGISED: DeviceState.ENERGISED,
        Move.REST_FAULTED: DeviceState.FAULTED,
    },
    DeviceState.STOPPING: {
        # A HELLO may come while an ABORT or the watchdog is still being carried out.
        Move.STOP: DeviceState.STOPPING,
        Move.REST_OPEN: DeviceState.OPEN,
        Move.REST_FAULTED: DeviceState.FAULTED,
    },
}


class IllegalMoveError(RuntimeError):
    """The device's own program asked for a move that its state does not have: a mistake of ours."""

    def __init__(self, state: DeviceState, move: Move) -> None:
        super().__init__(f"a device that is {state.name} cannot {move.name}")


def moved(state: DeviceState, move: Move) -> DeviceState:
    """Return the state after `move`. Raises IllegalMoveError where the table has none."""
    try:
        return MOVES[state][move]
    except KeyError:
        raise IllegalMoveError(state, move) from None
