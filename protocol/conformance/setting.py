"""How a device is to be judged: what is in its socket, who is at the board, how patient we are."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

#: How long a device may take for what costs it no time, seconds, before `patience` multiplies it (ours: the
#: host's own timeout begins at 250 ms, and an adapter may hold bytes for 16 ms each way).
ANSWER_S = 1.0
QUIET_S = 0.12
RESET_S = 60.0


class Socket(StrEnum):
    """What the builder says is in the socket."""

    UNKNOWN = "unknown"
    """Perhaps a chip that is wanted: nothing is energised."""
    EMPTY = "empty"
    SACRIFICIAL = "sacrificial"
    """A chip that may be spoilt: it is programmed."""


class Hands(Protocol):
    """Somebody at the board. Each answers whether it was done."""

    def set_supply(self, name: str, value_mv: int) -> bool:
        """Set a supply that is set by hand: VCC or VPP."""

    def reset(self) -> bool:
        """Restart the board, or have it restarted within `RESET_S`; it need not have happened on return."""


@dataclass(frozen=True, slots=True)
class Setting:
    """How the device is to be judged. `patience` multiplies all times that are allowed.

    `seed` brings the same noise again. `salt` goes into nonces and work numbers: it must differ from run to
    run, since a device remembers those of the run before.
    """

    socket: Socket = Socket.UNKNOWN
    patience: float = 1.0
    seed: int = 1
    salt: int = 0
    hands: Hands | None = None
