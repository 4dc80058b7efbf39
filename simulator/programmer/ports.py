"""What the programmer needs of the socket and of the pins; `simulator.socket` and `simulator.bus` have it."""

from collections.abc import Callable
from typing import Any, Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray

from protocol.descriptor import PartDescriptor
from protocol.wire import Mode, PinState
from simulator.rails import Rails

Addresses: TypeAlias = NDArray[np.uint32]
Words: TypeAlias = NDArray[np.uint16]


class SocketPort(Protocol):
    """The socket as the pin check sees it."""

    def contact(self, ground_pins: tuple[int, ...], /) -> tuple[PinState, ...]:
        """Return the state of each socket pin, pin 1 first."""


class BusPort(Protocol):
    """What the programmer's pins do, for one part, to whatever is in the socket."""

    def read(self, mode: Mode, addresses: Addresses, rails: Rails) -> Words:
        """Return the words sensed on the data pins in `mode`."""

    def pulse(self, addresses: Addresses, words: Words, rails: Rails, width_s: float) -> None:
        """Give one programming pulse at each address."""

    def write(self, address: int, word: int, rails: Rails, now_s: float) -> None:
        """Do one write cycle."""

    def write_page(self, addresses: Addresses, words: Words, rails: Rails, now_s: float) -> None:
        """Load a page by consecutive write cycles."""

    def busy_until_s(self) -> float:
        """Return when polling finds the last write or erase at its end."""

    def snapshot(self, addresses: Addresses) -> Any:
        """Return what `restore` needs to undo pulses."""

    def restore(self, snapshot: Any, from_index: int) -> None:
        """Undo the pulses since `snapshot` at its addresses from `from_index` on."""

    def currents_ma(self, mode: Mode, rails: Rails) -> tuple[float, float]:
        """Return what the socket draws from VCC and from VPP."""


BusFactory: TypeAlias = Callable[[PartDescriptor], BusPort]
