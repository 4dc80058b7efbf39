"""A socket: where a chip sits, how it sits, and what is wrong with its contacts.

Socket pins are numbered like those of a package, from 1: down the left row, up the right one.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum, auto

from protocol.wire import PinState
from simulator.chip.chip import Chip


class ContactFault(Enum):
    """What can be wrong at one contact."""

    OPEN = auto()
    """A folded pin, or dirt: the chip's pin touches nothing."""
    SHORT_TO_GROUND = auto()
    SHORT_TO_VCC = auto()


_SHORTS = {
    ContactFault.SHORT_TO_GROUND: PinState.SHORT_TO_GROUND,
    ContactFault.SHORT_TO_VCC: PinState.SHORT_TO_VCC,
}


@dataclass(frozen=True, slots=True)
class Placement:
    """How a chip sits: turned round, or `shift` pins too far towards the bottom (negative: top).

    Without either it is bottom-justified as JEDEC's byte-wide families are: pin p of n in socket pin p + (N
    - n) / 2.
    """

    reversed: bool = False
    shift: int = 0


class Socket:
    """A socket of `pin_count` pins in two rows, with or without a chip.

    `faults` are at socket pins; `bridges` join pairs of them. `intermittent` are contacts of a tired socket:
    the share of words during which the pin touches nothing, while the pin check may well find it good.
    `exchanged` are pairs of pins that are wired to each other's place, as on an adapter that was made wrong.
    Raises ValueError for a chip that is wider than the socket, a pin that it does not have, or a share that
    is none.
    """

    def __init__(
        self,
        pin_count: int,
        chip: Chip | None = None,
        *,
        placement: Placement = Placement(),
        faults: Mapping[int, ContactFault] | None = None,
        bridges: Iterable[tuple[int, int]] = (),
        intermittent: Mapping[int, float] | None = None,
        exchanged: Iterable[tuple[int, int]] = (),
    ) -> None:
        if pin_count < 2 or pin_count % 2:
            raise ValueError(f"a socket has two rows of as many pins, not {pin_count} pins")
        self.pin_count = pin_count
        self.faults = dict(faults or {})
        self.bridges = tuple(bridges)
        self.intermittent = dict(intermittent or {})
        self.exchanged = tuple(exchanged)
        pairs = (*self.bridges, *self.exchanged)
        for pin in (*self.faults, *self.intermittent, *(pin for pair in pairs for pin in pair)):
            if not 1 <= pin <= pin_count:
                raise ValueError(f"the socket has pins 1 to {pin_count}, not {pin}")
        if not all(0 <= share <= 1 for share in self.intermittent.values()):
            raise ValueError("a contact is open for a share of the words, from 0 to 1")
        self.revision = 0
        """Goes up whenever a chip is put in or taken out."""
        self.chip: Chip | None = None
        self._pins: dict[int, int] = {}
        if chip is not None:
            self.insert(chip, placement)

    def insert(self, chip: Chip, placement: Placement = Placement()) -> None:
        """Put a chip in, in place of any other."""
        count = len(chip.part.pins)
        if count > self.pin_count:
            raise ValueError(f"{chip.part.name} has {count} pins and does not go into {self.pin_count}")
        self.chip = chip
        self.revision += 1
        self._pins = {}
        for pin in range(1, count + 1):
            if (place := self._place(pin, count, placement)) is not None:
                self._pins[place] = pin
        for here, there in self.exchanged:
            crossed = {here: self._pins.pop(there, None), there: self._pins.pop(here, None)}
            self._pins |= {place: pin for place, pin in crossed.items() if pin is not None}

    def remove(self) -> Chip | None:
        """Take the chip out and return it."""
        chip, self.chip = self.chip, None
        self._pins = {}
        self.revision += 1
        return chip

    def _place(self, pin: int, count: int, placement: Placement) -> int | None:
        """Return the socket pin under a chip's pin; None when it hangs over the end."""
        half, row = count // 2, self.pin_count // 2
        if placement.reversed:
            pin = pin + half if pin <= half else pin - half
        left = pin <= half
        place = pin + row - half + (placement.shift if left else -placement.shift)
        inside = 1 <= place <= row if left else row < place <= self.pin_count
        return place if inside else None

    def chip_pin(self, pin: int) -> int | None:
        """Return the chip's pin that touches this contact; None where it is open or nothing sits there."""
        return None if self.faults.get(pin) is ContactFault.OPEN else self._pins.get(pin)

    def contacts(self) -> dict[int, int]:
        """Return chip pin -> socket pin for every pin that touches."""
        return {chip_pin: pin for pin, chip_pin in self._pins.items() if self.chip_pin(pin) is not None}

    def joined(self, pin: int) -> frozenset[int]:
        """Return this contact and all that are bridged to it, directly or through others."""
        group, waiting = {pin}, [pin]
        while waiting:
            here = waiting.pop()
            for pair in self.bridges:
                if here in pair:
                    new = set(pair) - group
                    group |= new
                    waiting += new
        return frozenset(group)

    def contact(self, descriptor_ground_pins: tuple[int, ...]) -> tuple[PinState, ...]:
        """Return what a pin check without power finds at each socket pin, judged against these ground pins.

        A protection diode from the chip's ground conducts when the pin is pulled below ground: CHIP. One
        that conducts the other way shows a chip that is turned round: REVERSED. A pin that is not connected
        inside the chip reads OPEN, as an empty contact does; so does every pin when no ground contact is
        made. A ground pin itself reads what it is to the chip.
        """
        diodes = frozenset(self.chip.diodes) if self.chip else frozenset()
        grounds = {chip_pin for pin in descriptor_ground_pins if (chip_pin := self.chip_pin(pin)) is not None}
        return tuple(self._state(pin, grounds, diodes) for pin in range(1, self.pin_count + 1))

    def _state(self, pin: int, grounds: set[int], diodes: frozenset[tuple[int, int]]) -> PinState:
        if (short := _SHORTS.get(self.faults.get(pin, ContactFault.OPEN))) is not None:
            return short
        if len(self.joined(pin)) > 1:
            return PinState.BRIDGED
        chip_pin = self.chip_pin(pin)
        if chip_pin is None or self.chip is None:
            return PinState.OPEN
        if chip_pin in grounds:
            part = self.chip.part
            if chip_pin in part.ground_pins:
                return PinState.CHIP
            return PinState.REVERSED if chip_pin in part.vcc_pins else PinState.OPEN
        if any((ground, chip_pin) in diodes for ground in grounds):
            return PinState.CHIP
        if any((chip_pin, ground) in diodes for ground in grounds):
            return PinState.REVERSED
        return PinState.OPEN
