"""From what the pins touch to what is wrong with the chip in the socket.

The judgement is made on the shape of all findings: one open pin is a folded pin, open pins at the ends of
both rows are a chip that sits too far up or down, all pins the other way round are a reversed chip.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from daemon.catalogue.model import Part
from daemon.catalogue.pins import is_idle
from daemon.programmers.fitting import Fit
from protocol.wire import PinState

#: A reversed chip also has pins that show nothing; more than this share the wrong way round settles it.
_REVERSED_SHARE = 0.5

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
    """How the chip sits. `shifted_rows` > 0: too far towards pin 1's end of the socket."""

    missing: bool = False
    reversed: bool = False
    shifted_rows: int = 0
    faults: tuple[PinFault, ...] = ()

    @property
    def good(self) -> bool:
        """Whether every pin that should touch the chip does, and nothing else does."""
        return not (self.missing or self.reversed or self.shifted_rows or self.faults)


def judge_seating(fit: Fit, states: Sequence[PinState]) -> Seating:
    """Judge the pin states of the whole socket (pin 1 first) for the part that should be in it."""
    own = {pin: states[fit.socket_pin(pin) - 1] for pin in _telling_pins(fit.part)}
    if all(state in (PinState.OPEN, PinState.NOT_TESTED) for state in states):
        return Seating(missing=True)
    backwards = sum(state is PinState.REVERSED for state in own.values())
    if backwards > _REVERSED_SHARE * len(own):
        return Seating(reversed=True)
    if rows := _shift(fit, own, states):
        return Seating(shifted_rows=rows)
    faults = tuple(
        PinFault(pin, fit.part.signal_of(pin), state)
        for pin, state in own.items()
        if state not in (PinState.CHIP, PinState.NOT_TESTED)
    )
    return Seating(faults=faults)


def _telling_pins(part: Part) -> list[int]:
    """Pins that show a protection diode: not ground, which is the reference, and not unconnected ones."""
    return [
        pin
        for pin in range(1, len(part.pins) + 1)
        if pin not in part.ground_pins and not is_idle(part.signal_of(pin))
    ]


def _shift(fit: Fit, own: Mapping[int, PinState], states: Sequence[PinState]) -> int:
    """Return by how many rows the chip sits too far up (positive) or down, 0 if it does not.

    A chip one row up leaves its lowest two socket pins open and, where the socket has room, touches two pins
    above its place. Without room above it hangs over the end, and only the open pins tell.
    """
    half = len(fit.part.pins) // 2
    for rows in range(1, half // 2 + 1):
        lower = [*range(half - rows + 1, half + 1), *range(half + 1, half + rows + 1)]
        upper = [*range(1, rows + 1), *range(2 * half - rows + 1, 2 * half + 1)]
        for pins, sign in ((lower, 1), (upper, -1)):
            here = [own[pin] for pin in pins if pin in own]
            rest = [state for pin, state in own.items() if pin not in pins]
            touched_beyond = _touched_beyond(fit, rows, sign, states)
            if (
                here
                and all(s is PinState.OPEN for s in here)
                and touched_beyond
                and PinState.OPEN not in rest
            ):
                return rows * sign
    return 0


def _touched_beyond(fit: Fit, rows: int, sign: int, states: Sequence[PinState]) -> bool:
    """Tell whether something touches the socket just beyond the part's place, on the side of the shift."""
    half = len(fit.part.pins) // 2
    corners = (1, 2 * half) if sign > 0 else (half, half + 1)
    steps = (-sign, sign)
    beyond = [fit.socket_pin(pin) + step * row for pin, step in zip(corners, steps, strict=True)
              for row in range(1, rows + 1)]  # fmt: skip
    inside = [states[pin - 1] for pin in beyond if 1 <= pin <= len(states)]
    return not inside or any(state not in (PinState.OPEN, PinState.NOT_TESTED) for state in inside)
