"""From what the pins touch to what is wrong with the chip in the socket.

The judgement is made on the shape of all findings: one open pin is a folded pin, all pins the other way round
are a reversed chip. Everything is measured against the ground pin, so a chip that sits a row too high shows
nothing at all; `SHIFTS` says at which places to look for it then.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from daemon.catalogue.model import Part
from daemon.catalogue.pins import is_idle
from daemon.programmers.fitting import Fit
from protocol.wire import PinState

#: More than this share the wrong way round settles it (packages with ground opposite to VCC).
_REVERSED_SHARE = 0.5
#: A reversed chip shows no pin the right way round, but for its VCC pin.
_RIGHT_WAY_MAX = 1

#: Rows that a chip may sit too high; farther away nobody misses it.
SHIFTS = (1, 2, 3, 4)

_STATE_WORDS: Mapping[PinState, str] = {
    PinState.OPEN: "no contact: folded under, bent, or the socket is tired",
    PinState.REVERSED: "current flows the wrong way",
    PinState.SHORT_TO_GROUND: "shorted to ground",
    PinState.SHORT_TO_VCC: "shorted to VCC",
    PinState.BRIDGED: "bridged to a neighbour",
}


@dataclass(frozen=True, slots=True)
class PinFault:
    """One pin that is not as it should be; `pin` counts on the chip's own package."""

    pin: int
    signal: str
    state: PinState

    @property
    def words(self) -> str:
        """The fault as a person would point at it."""
        return f"pin {self.pin} ({self.signal}): {_STATE_WORDS[self.state]}"


@dataclass(frozen=True, slots=True)
class Seating:
    """How the chip sits. A chip whose ground pin touches nothing looks like no chip: `missing`."""

    missing: bool = False
    reversed: bool = False
    faults: tuple[PinFault, ...] = ()

    @property
    def good(self) -> bool:
        """Whether every pin that should touch the chip does, and nothing else does."""
        return not (self.missing or self.reversed or self.faults)


def judge_seating(fit: Fit, states: Sequence[PinState]) -> Seating:
    """Judge the pin states of the whole socket (pin 1 first) for the part that should be in it."""
    own = {pin: states[fit.socket_pin(pin) - 1] for pin in _telling_pins(fit)}
    if all(state in (PinState.OPEN, PinState.NOT_TESTED) for state in states):
        return Seating(missing=True)
    if _is_reversed(fit.part, own):
        return Seating(reversed=True)
    faults = tuple(
        PinFault(pin, fit.part.signal_of(pin), state)
        for pin, state in own.items()
        if state not in (PinState.CHIP, PinState.NOT_TESTED)
    )
    return Seating(faults=faults)


def _is_reversed(part: Part, own: Mapping[int, PinState]) -> bool:
    """Tell whether the chip is turned round.

    Where its VCC then sits on ground, every pin conducts the other way. In other packages signals sit on
    ground, and only the chip's own ground pins tell, from the places where a turn by half puts them.
    """
    found = list(own.values())
    if found.count(PinState.REVERSED) > _REVERSED_SHARE * len(own):
        return True
    half = len(part.pins) // 2
    turned = [
        own[place] for pin in part.ground_pins if (place := pin + half if pin <= half else pin - half) in own
    ]
    return (
        bool(turned) and set(turned) == {PinState.REVERSED} and found.count(PinState.CHIP) <= _RIGHT_WAY_MAX
    )


def _telling_pins(fit: Fit) -> list[int]:
    """Pins that show a protection diode: not ground, which is the reference, and not unconnected ones."""
    part = fit.part
    return [
        pin
        for pin in sorted(fit.socket_pins)
        if pin not in part.ground_pins and not is_idle(part.signal_of(pin))
    ]
