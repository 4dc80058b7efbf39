"""One thing that the cells may hold."""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from daemon.diagnosis.causes import Fault

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from daemon.diagnosis.evidence import Words


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """Content of the cells with its cause, if any, and its share among failed chips.

    `cost` is the negative logarithm of how probable this very content is where it is not known beforehand.
    `wired`: whether a bad wire on top of it is worth a thought. `unknown`: it is what was read, and costs
    what content costs of which nothing is known.
    """

    cells: "Words"
    share: float
    faults: tuple[Fault, ...] = ()
    cost: float = 0.0
    wired: bool = False
    unknown: bool = False
    others: tuple[tuple[Fault, float], ...] = ()
    """Other causes that would read the same, with their shares."""
    words: str = field(default="")


def bytes_of(words: "Words", word_bytes: int) -> "NDArray[np.uint8]":
    """Return words as bytes, the low one of each first."""
    import numpy as np

    return words.astype("<u2").view(np.uint8) if word_bytes == 2 else words.astype(np.uint8)


def words_of(data: "NDArray[np.uint8]", word_bytes: int) -> "Words":
    """Return bytes as words, the low byte first."""
    import numpy as np

    plain = np.ascontiguousarray(data)
    return plain.view("<u2").astype(np.uint16) if word_bytes == 2 else plain.astype(np.uint16)
