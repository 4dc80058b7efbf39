"""One part in one position while it is being judged: what has been found so far."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from daemon.catalogue.model import Part
from daemon.catalogue.substitution.arrangement import LOOSE, Source
from daemon.catalogue.substitution.contacts import Contact
from daemon.catalogue.substitution.demands import Demand
from daemon.catalogue.substitution.nets import Net
from daemon.catalogue.substitution.position import Position
from daemon.catalogue.substitution.verdict import Task, Work


@dataclass(slots=True)
class Case:
    """Findings, in the order in which they were made."""

    part: Part
    position: Position
    demands: Mapping[int, Demand]
    contacts: Mapping[int, Contact]
    fatal: list[str] = field(default_factory=list)
    """Reasons that nothing here can cure."""
    reasons: list[str] = field(default_factory=list)
    tasks: list[Task] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)
    sources: dict[int, Source] = field(default_factory=dict)
    """Chip address bit -> what it gets."""
    data: dict[int, int] = field(default_factory=dict)
    """Chip data bit -> board data bit."""
    gates: set[Net] = field(default_factory=set)
    """Nets that reach a pin which can silence the chip."""

    def name(self, pin: int) -> str:
        """Name a chip pin: `pin 27 (/WE)`."""
        return f"pin {pin} ({self.part.signal_of(pin)})"

    def there(self, pin: int) -> str:
        """Say what the board has where this chip pin is: `the board has A14 there`."""
        contact = self.contacts[pin]
        if contact.position_pin is None and not contact.net.level:
            return "nothing of the position is there"
        place = (
            "there"
            if contact.position_pin in (pin, None)
            else f"on the position's pin {contact.position_pin}"
        )
        return f"the board has {contact.net.words} {place}"

    def tie(self, pin: int, to: str, reason: str) -> None:
        """Ask for a pin to be lifted and wired to VCC or GND."""
        self.reasons.append(reason)
        here = self.contacts[pin].position_pin is not None
        how = f"Lift {self.name(pin)} and wire it" if here else f"Wire {self.name(pin)}"
        self.tasks.append(Task(Work.TIE, f"{how} to {_SUPPLY[to]}.", pin, to))

    def wire(self, pin: int, net: Net, reason: str) -> bool:
        """Ask for a pin to be wired to where the board has `net`; False when it is not in this position."""
        target = self.position.pin_with(net)
        if target is None:
            return False
        self.reasons.append(reason)
        place = f"the position's pin {target}, where the board has {net.words}"
        here = self.contacts[pin].position_pin is not None
        how = f"Lift {self.name(pin)} and wire it" if here else f"Wire {self.name(pin)}"
        text = f"{how} to {place}."
        self.tasks = [task for task in self.tasks if task.pin != pin or task.work is Work.CHECK]
        self.tasks.append(Task(Work.WIRE, text, pin, target))
        return True

    def check(self, text: str, pin: int) -> None:
        """Ask for a look at the board."""
        self.tasks.append(Task(Work.CHECK, text, pin))

    def loose(self, bit: int) -> None:
        """Note that nothing certain moves this address bit."""
        self.sources[bit] = LOOSE


_SUPPLY = {"VCC": "VCC", "GND": "ground"}
