"""What a pin check without power says about a chip that nobody knows: how it sits, and what it cannot be."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from daemon.catalogue.model import Part
from daemon.catalogue.pins import is_idle
from daemon.diagnosis import Seating, judge_seating
from daemon.drawer.sight import Candidate
from daemon.programmers.fitting import fit_directly
from protocol.identity import Identity
from protocol.wire import PinState

States = Sequence[PinState]
"""State of each socket pin, pin 1 first."""

_BAD = {
    PinState.SHORT_TO_GROUND: "is shorted to ground",
    PinState.SHORT_TO_VCC: "is shorted to VCC",
    PinState.BRIDGED: "is bridged to another",
}
_QUIET = (PinState.OPEN, PinState.NOT_TESTED)


@dataclass(frozen=True, slots=True)
class Ruled:
    """A part that the chip is not, and why."""

    part: Part
    reason: str


@dataclass(frozen=True, slots=True)
class Contact:
    """The judgement over all candidates. With none in `live` the chip must not be powered.

    `doubts`: part id -> what speaks against it without ruling it out. `nearest` is the candidate with the
    fewest faults and how it would sit, where none sits well.
    """

    live: tuple[Candidate, ...]
    out: tuple[Ruled, ...]
    doubts: Mapping[str, tuple[str, ...]]
    missing: bool = False
    reversed: bool = False
    nearest: tuple[Part, Seating] | None = None
    shorts: tuple[str, ...] = ()


def judge_contact(
    candidates: Sequence[Candidate], states_of: Mapping[tuple[int, ...], States], identity: Identity
) -> Contact:
    """Judge what the pins touch; `states_of` has the states as seen from each set of ground pins."""
    live: list[Candidate] = []
    out: list[Ruled] = []
    doubts: dict[str, tuple[str, ...]] = {}
    seatings: list[tuple[Part, Seating]] = []
    shorts = _shorts(candidates, states_of, identity)
    for each in candidates:
        part = each.part
        fit = fit_directly(part, identity)
        states = states_of.get(part.ground_pins)
        if states is None:
            continue
        seating = judge_seating(fit, states)
        seatings.append((part, seating))
        if seating.good and not shorts:
            live.append(each)
            doubts[part.id] = _idle_pins_that_touch(part, [fit.socket_pin(p) for p in _pins(part)], states)
        elif seating.faults:
            out.append(Ruled(part, _why_not(seating)))
    more = any(pins_that_touch(states) > len(candidates[0].part.pins) for states in states_of.values())
    if live and not more:
        return Contact(tuple(live), tuple(out), doubts)
    missing = all(seating.missing for _, seating in seatings)
    turned = any(seating.reversed for _, seating in seatings)
    faulty = [(part, seating) for part, seating in seatings if seating.faults]
    nearest = min(faulty, key=lambda pair: len(pair[1].faults), default=None)
    return Contact((), tuple(out), {}, missing, turned, nearest, shorts)


def pins_that_touch(states: States) -> int:
    """Return how many pins a chip at the socket's bottom end has, by the outermost ones that touch."""
    half = len(states) // 2
    touching = [pin for pin, state in enumerate(states, 1) if state not in _QUIET]
    if not touching:
        return 0
    rows = [pin if pin <= half else len(states) + 1 - pin for pin in touching]
    return 2 * (half + 1 - min(rows))


def _pins(part: Part) -> range:
    return range(1, len(part.pins) + 1)


def _shorts(
    candidates: Sequence[Candidate], states_of: Mapping[tuple[int, ...], States], identity: Identity
) -> tuple[str, ...]:
    """Return what is shorted or bridged at any pin of the package: no chip is powered so."""
    fit = fit_directly(candidates[0].part, identity)
    found = []
    for pin in _pins(fit.part):
        words = {_BAD.get(states[fit.socket_pin(pin) - 1]) for states in states_of.values()} - {None}
        found += [f"pin {pin} {word}" for word in sorted(filter(None, words))]
    return tuple(found)


def _why_not(seating: Seating) -> str:
    first, more = seating.faults[0], len(seating.faults) - 1
    others = f", and {more} more pins" if more > 1 else ", and 1 more pin" if more else ""
    if first.state is PinState.OPEN:
        return f"pin {first.pin} touches nothing inside; it would be {first.signal}{others}"
    return f"{first.words}{others}"


def _idle_pins_that_touch(part: Part, socket_pins: Sequence[int], states: States) -> tuple[str, ...]:
    return tuple(
        f"pin {pin} is connected inside, which a {part.name} need not have"
        for pin, socket_pin in enumerate(socket_pins, 1)
        if is_idle(part.signal_of(pin)) and states[socket_pin - 1] is PinState.CHIP
    )
