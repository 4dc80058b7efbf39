"""What a board puts on a pin of a position while it reads."""

import re
from dataclasses import dataclass
from enum import StrEnum


class Carries(StrEnum):
    """Sorts of nets on a board."""

    ADDRESS = "address"
    DATA = "data"
    SELECT = "select"
    """Chip select, low when the board reads this position."""
    SELECT_HIGH = "select-high"
    """Chip select, high when the board reads this position."""
    OUTPUT_ENABLE = "output-enable"
    """Low when the board reads."""
    WRITE_ENABLE = "write-enable"
    """The board's write strobe: high when it reads, low in its write cycles."""
    VCC = "vcc"
    GROUND = "ground"
    HIGH = "high"
    """Held high, by a tie or a resistor."""
    LOW = "low"
    EITHER = "either"
    """Held at one level, but it is not known which."""
    OPEN = "open"


@dataclass(frozen=True, slots=True)
class Net:
    """One net of a board. `line` is the number of an address or data line; address line -1 is A-1."""

    carries: Carries
    line: int | None = None

    @property
    def level(self) -> int | None:
        """The level it has whenever the board reads the position; None where that is not one known level."""
        return _LEVELS.get(self.carries)

    @property
    def is_signal(self) -> bool:
        """Tell whether it changes while the board runs."""
        return self.carries in _SIGNALS

    @property
    def words(self) -> str:
        """What stands there, as it fits after "the board has"."""
        if self.carries is Carries.ADDRESS:
            return f"A{self.line}"
        return f"D{self.line}" if self.carries is Carries.DATA else _WORDS[self.carries]


OPEN = Net(Carries.OPEN)
VCC = Net(Carries.VCC)
GROUND = Net(Carries.GROUND)

_LEVELS = {
    Carries.SELECT: 0,
    Carries.SELECT_HIGH: 1,
    Carries.OUTPUT_ENABLE: 0,
    Carries.WRITE_ENABLE: 1,
    Carries.VCC: 1,
    Carries.GROUND: 0,
    Carries.HIGH: 1,
    Carries.LOW: 0,
}
_SIGNALS = frozenset(
    {
        Carries.ADDRESS,
        Carries.DATA,
        Carries.SELECT,
        Carries.SELECT_HIGH,
        Carries.OUTPUT_ENABLE,
        Carries.WRITE_ENABLE,
    }
)
_WORDS = {
    Carries.SELECT: "chip select",
    Carries.SELECT_HIGH: "a chip select that is high when selected",
    Carries.OUTPUT_ENABLE: "output enable",
    Carries.WRITE_ENABLE: "its write strobe",
    Carries.VCC: "VCC",
    Carries.GROUND: "ground",
    Carries.HIGH: "a high level",
    Carries.LOW: "a low level",
    Carries.EITHER: "a level that the data sheet leaves open",
    Carries.OPEN: "nothing",
}
_NAMED = {
    "/CE": Carries.SELECT,
    "CE": Carries.SELECT_HIGH,
    "/OE": Carries.OUTPUT_ENABLE,
    "/WE": Carries.WRITE_ENABLE,
    "VCC": Carries.VCC,
    "GND": Carries.GROUND,
    "high": Carries.HIGH,
    "low": Carries.LOW,
    "either": Carries.EITHER,
    "open": Carries.OPEN,
}
NET_WORDS = ("A0", "D0", *_NAMED)
"""The forms that `net` understands, for messages: any number may follow A and D."""
_LINE = re.compile(r"([AD])(-1|[0-9]{1,2})")


def net(text: str) -> Net:
    """Return the net written as `A14`, `D3`, `/CE`, `CE`, `/OE`, `/WE`, `VCC`, `GND` or a word.

    The words are `high`, `low`, `either` and `open`. Raises ValueError for anything else.
    """
    if text in _NAMED:
        return Net(_NAMED[text])
    line = _LINE.fullmatch(text)
    if not line or text == "D-1":
        raise ValueError(f'"{text[:20]}" is no net; write one of {", ".join(NET_WORDS)} with any number')
    return Net(Carries.ADDRESS if line[1] == "A" else Carries.DATA, int(line[2]))
