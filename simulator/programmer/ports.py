"""What the programmer needs of the socket and of the pins; `simulator.socket` and `simulator.bus` have it."""

from collections.abc import Callable, Sequence
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


class ForeseenWrites(Protocol):
    """Words written one after another by a part that times itself, as one; `simulator.chip` has it."""

    lasting_s: list[float]
    """How long the part takes for each word."""

    def carry_out(self, ends_s: Sequence[float], /) -> None:
        """Write as many words as there are times, at which the part is done with each."""

    def undo(self, from_index: int, /) -> None:
        """Make the writes from this word on undone."""


class BusPort(Protocol):
    """What the programmer's pins do, for one part, to whatever is in the socket."""

    def read(self, mode: Mode, addresses: Addresses, rails: Rails) -> Words:
        """Return the words sensed on the data pins in `mode`."""

    def pulse(self, addresses: Addresses, words: Words, rails: Rails, width_s: float) -> None:
        """Give one programming pulse at each address."""

    def erase_pulse(self, rails: Rails, width_s: float) -> None:
        """Give one erase pulse to the whole chip."""

    def write(self, address: int, word: int, rails: Rails, now_s: float) -> None:
        """Do one write cycle."""

    def write_page(self, addresses: Addresses, words: Words, rails: Rails, now_s: float) -> None:
        """Load a page by consecutive write cycles."""

    def foresee_writes(
        self,
        prefix: Sequence[tuple[int, int]],
        addresses: Addresses,
        words: Words,
        rails: tuple[Rails, Rails],
        now_s: float,
    ) -> ForeseenWrites | None:
        """Return what writing each word by the cycles `prefix` and one of its own comes to, from now on.

        `rails` are those in modes WRITE and READ. None where only giving the cycles can tell.
        """

    def busy_until_s(self) -> float:
        """Return when polling finds the last write or erase at its end."""

    def snapshot(self, addresses: Addresses) -> Any:
        """Return what `restore` needs to undo pulses."""

    def restore(self, snapshot: Any, from_index: int) -> None:
        """Undo the pulses since `snapshot` at its addresses from `from_index` on."""

    def currents_ma(self, mode: Mode, rails: Rails) -> tuple[float, float]:
        """Return what the socket draws from VCC and from VPP."""


BusFactory: TypeAlias = Callable[[PartDescriptor], BusPort]
