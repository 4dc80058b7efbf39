"""What a bad wire makes of a read: each fault as a map of addresses and of data.

A forward model: given what the cells hold, it says which words would be read. A wire that sometimes works and
sometimes does not gives two readings for a word, the usual one first. Wires that touch are wired-and, an open
data pin is read as 1, an open address pin drifts to some level (standard behaviour of TTL-level inputs and
pulled-up data lines; which level, only the chip knows).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.catalogue.model import Part
from daemon.catalogue.terms import Level, Mode
from daemon.diagnosis.causes import Cause, Fault, fault

if TYPE_CHECKING:
    from daemon.diagnosis.evidence import Rows, Words


@dataclass(frozen=True, slots=True)
class Wire:
    """One way in which one or two wires are wrong. Masks are of address and data bits.

    `low`/`high`: address lines that are always so; `joined`: pairs of address lines that carry the AND of
    both; `crossed`: pairs that are exchanged. The same for data with `out_`. `gates`: pairs of data bit and
    address line, the bit being ANDed with the line. `loose`: it is so only now and then.
    """

    faults: tuple[tuple[Fault, float], ...]
    """The causes that this is a model of, and their shares."""
    low: int = 0
    high: int = 0
    joined: tuple[int, int] | None = None
    crossed: tuple[int, int] | None = None
    out_low: int = 0
    out_high: int = 0
    out_joined: tuple[int, int] | None = None
    out_crossed: tuple[int, int] | None = None
    gate: tuple[int, int] | None = None
    loose: bool = False
    drifts: bool = False
    """An open address pin: at its level mostly, disturbed now and then."""

    @property
    def moves_rows(self) -> bool:
        """Whether words of other addresses are read."""
        return bool(self.low or self.high or self.joined or self.crossed)

    @property
    def two_ways(self) -> bool:
        """Whether a word is read now in one way and now in another."""
        return self.loose or self.drifts

    def rows(self, addresses: "Rows") -> "Rows":
        """Return which rows of the chip are reached at these addresses."""
        rows = addresses & ~self.low | self.high
        if self.joined is not None:
            one, two = (1 << bit for bit in self.joined)
            both = (rows & one != 0) & (rows & two != 0)
            rows = rows & ~(one | two) | both * (one | two)
        if self.crossed is not None:
            one, two = self.crossed
            differ = (rows >> one ^ rows >> two) & 1
            rows = rows ^ (differ << one | differ << two)
        return rows

    def other_rows(self, addresses: "Rows") -> "Rows":
        """Return which rows are reached while an open address pin is disturbed."""
        return self.rows(addresses) ^ (self.low | self.high)

    def outputs(self, words: "Words", addresses: "Rows") -> "Words":
        """Return what is read of the words at the chip's outputs, or what it gets of those to be programmed.

        An open data pin is read as 1 and programs none (a driven input that is missing is a 1 to the chip).
        """
        import numpy as np

        if self.out_low or self.out_high:
            words = words & np.uint16(~self.out_low & 0xFFFF) | np.uint16(self.out_high)
        if self.out_joined is not None:
            one, two = (1 << bit for bit in self.out_joined)
            both = ((words & one != 0) & (words & two != 0)).astype(np.uint16)
            words = words & np.uint16(~(one | two) & 0xFFFF) | both * np.uint16(one | two)
        if self.out_crossed is not None:
            one, two = self.out_crossed
            differ = (words >> one ^ words >> two) & 1
            words = words ^ (differ << one | differ << two).astype(np.uint16)
        if self.gate is not None:
            bit, line = self.gate
            blocked = ((addresses >> line & 1) == 0).astype(np.uint16) << bit
            words = words & ~blocked.astype(np.uint16)
        return words


def wires_of(part: Part, *, pins_good: bool) -> Iterator[Wire]:
    """Yield every single wire fault of a part's address and data lines.

    `pins_good`: a pin check found nothing, so what it would have shown is nearly out of the question.
    """
    yield from _dead_lines(part, pins_good)
    yield from _loose_lines(part)
    yield from _pairs(part, pins_good)
    yield from _crossings(part)


#: What a pin check overlooks: hardly ever a static fault (ours).
_OVERLOOKED = 0.003
#: Of chips of half the size, those at each level of the line that does nothing. Where no pin check was made
#: the line itself is as likely to blame (ours).
_HALF_SIZE, _HALF_UNSEEN = 0.45, 0.05
#: Of open address pins, those whose level is disturbed now and then (ours).
_DISTURBED_SHARE = 0.7


def _dead_lines(part: Part, pins_good: bool) -> Iterator[Wire]:
    seen = _OVERLOOKED if pins_good else 1.0
    lines = len(part.address_pins) + len(part.data_pins)
    opened, shorted, stuck = (seen / len(part.pins), seen / len(part.pins), 1 / lines)
    for line, pin in enumerate(part.address_pins):
        for high in (False, True):
            to = "VCC" if high else "ground"
            short = (fault(Cause.PIN_SHORTED, pin, to=to), shorted / 2)
            inside = (fault(Cause.LINE_STUCK, pin, level=int(high)), stuck / 2)
            gone = (fault(Cause.PIN_OPEN, pin), opened / 2)
            masks = {"high" if high else "low": 1 << line}
            # Its own pin may do nothing at all in a smaller chip, or one whose die is.
            top = line == part.address_bits - 1
            half = ((fault(Cause.HALF_SIZE), _HALF_SIZE if pins_good else _HALF_UNSEEN),) if top else ()
            yield Wire(
                (short, inside, (gone[0], gone[1] * (1 - _DISTURBED_SHARE)), *half),
                low=masks.get("low", 0),
                high=masks.get("high", 0),
            )
            yield Wire(
                ((gone[0], gone[1] * _DISTURBED_SHARE),),
                low=masks.get("low", 0),
                high=masks.get("high", 0),
                drifts=True,
            )
    for bit, pin in enumerate(part.data_pins):
        ground = (fault(Cause.PIN_SHORTED, pin, to="ground"), shorted / 2)
        yield Wire((ground, (fault(Cause.LINE_STUCK, pin, level=0), stuck / 2)), out_low=1 << bit)
        vcc = (fault(Cause.PIN_SHORTED, pin, to="VCC"), shorted / 2)
        inside = (fault(Cause.LINE_STUCK, pin, level=1), stuck / 2)
        yield Wire(((fault(Cause.PIN_OPEN, pin), opened), vcc, inside), out_high=1 << bit)


def _loose_lines(part: Part) -> Iterator[Wire]:
    share = 1 / (len(part.address_pins) + len(part.data_pins))
    for line, pin in enumerate(part.address_pins):
        loose = fault(Cause.CONTACT_INTERMITTENT, pin)
        yield Wire(((loose, share / 2),), low=1 << line, loose=True)
        yield Wire(((loose, share / 2),), high=1 << line, loose=True)
    for bit, pin in enumerate(part.data_pins):
        yield Wire(((fault(Cause.CONTACT_INTERMITTENT, pin), share),), out_high=1 << bit, loose=True)


def _pairs(part: Part, pins_good: bool) -> Iterator[Wire]:
    """Yield neighbours that touch: solder, a bent pin, dirt between two contacts."""
    share = (_OVERLOOKED if pins_good else 1.0) / len(part.pins)
    levels = part.levels(Mode.READ)
    address = {pin: line for line, pin in enumerate(part.address_pins)}
    data = {pin: bit for bit, pin in enumerate(part.data_pins)}
    half = len(part.pins) // 2
    for one in range(1, len(part.pins)):
        two = one + 1
        if one == half:
            continue
        causes = ((fault(Cause.PINS_BRIDGED, one, two), share),)
        if one in address and two in address:
            yield Wire(causes, joined=(address[one], address[two]))
        elif one in data and two in data:
            yield Wire(causes, out_joined=(data[one], data[two]))
        elif {one, two} & data.keys() and {one, two} & address.keys():
            pair = sorted((one, two), key=lambda pin: pin in address)
            yield Wire(causes, gate=(data[pair[0]], address[pair[1]]))
        elif {one, two} & (data.keys() | address.keys()):
            line, other = (one, two) if one in data or one in address else (two, one)
            yield from _held(causes, line, levels[other], other in part.vcc_pins, address, data)


def _held(
    causes: tuple[tuple[Fault, float], ...],
    line: int,
    level: Level,
    is_vcc: bool,
    address: dict[int, int],
    data: dict[int, int],
) -> Iterator[Wire]:
    """Yield a line that touches a pin whose level does not change in a read."""
    if level is Level.LOW:
        yield (
            Wire(causes, low=1 << address[line]) if line in address else Wire(causes, out_low=1 << data[line])
        )
    elif is_vcc or level in (Level.VCC, Level.VPP):
        yield (
            Wire(causes, high=1 << address[line])
            if line in address
            else Wire(causes, out_high=1 << data[line])
        )


def _crossings(part: Part) -> Iterator[Wire]:
    """Yield pairs of lines that are exchanged, on an adapter or in the wiring."""
    for pins, name in ((part.address_pins, "crossed"), (part.data_pins, "out_crossed")):
        pairs = [(one, two) for two in range(len(pins)) for one in range(two)]
        for one, two in pairs:
            causes = ((fault(Cause.LINES_EXCHANGED, pins[one], pins[two]), 0.5 / len(pairs)),)
            yield (
                Wire(causes, crossed=(one, two))
                if name == "crossed"
                else Wire(causes, out_crossed=(one, two))
            )
