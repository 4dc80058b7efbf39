"""From a hypothesis to the words that it predicts, and to the probability of what was seen."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.diagnosis.evidence import Evidence, Look
from daemon.diagnosis.likelihood import (
    ANY,
    FEW,
    FLICKER,
    NOW_AND_THEN,
    STEADY,
    Cells,
    log_unforeseen,
    misses,
)
from daemon.diagnosis.source import Source
from daemon.diagnosis.wires import Wire

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from daemon.diagnosis.evidence import Rows, Words


#: Cells at their margin that show no change at all, over all supplies and looks (ours, a logarithm).
_NO_CHANGE = -14.0
#: Supplies that are as near as this are one.
_SAME_V = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Story:
    """A hypothesis: what the cells hold, over which wires, and what the cells themselves add.

    `programmed_so`: the chip was programmed over these same wires, so that words of several addresses went
    into one row.
    """

    source: Source
    wires: tuple[Wire, ...] = ()
    programmed_so: bool = False
    cells: Cells = Cells.SOUND

    @property
    def nothing_wrong(self) -> bool:
        """Whether it is what should be read of a sound chip."""
        return not (self.source.faults or self.wires) and self.cells is Cells.SOUND

    @property
    def two_ways(self) -> bool:
        """Whether a word may be read in more than one way."""
        return any(wire.two_ways for wire in self.wires)


def predict(story: Story, addresses: "Rows") -> list["Words"]:
    """Return the words at these addresses: one list of them, or the usual one and those that also occur."""
    ways: list[tuple[Rows, int]] = [(addresses, 0)]
    for at, wire in enumerate(story.wires):
        if wire.loose and wire.moves_rows:
            ways = [*ways, *((wire.rows(rows), acting | 1 << at) for rows, acting in ways)]
        elif wire.loose:
            ways = [*ways, *((rows, acting | 1 << at) for rows, acting in ways)]
        elif wire.drifts:
            ways = [
                *((wire.rows(rows), acting) for rows, acting in ways),
                *((wire.other_rows(rows), acting) for rows, acting in ways),
            ]
        else:
            ways = [(wire.rows(rows), acting) for rows, acting in ways]
    return [_sensed(story, addresses, rows, acting) for rows, acting in ways]


def _sensed(story: Story, addresses: "Rows", rows: "Rows", acting: int) -> "Words":
    words = _held(story, rows)
    for at, wire in enumerate(story.wires):
        if not wire.loose or acting >> at & 1:
            words = wire.outputs(words, addresses)
    return words


def _held(story: Story, rows: "Rows") -> "Words":
    """Return what the cells hold in these rows: where several words went into one, what all of them clear."""
    cells = story.source.cells
    words = cells[rows]
    if not story.programmed_so:
        return words
    for wire in story.wires:
        if line := wire.low | wire.high:
            words = words & cells[rows ^ line]
        elif wire.joined is not None:
            one, two = (1 << bit for bit in wire.joined)
            both = (rows & one != 0) & (rows & two != 0)
            none = rows & ~(one | two)
            shared = cells[none] & cells[none | one] & cells[none | two]
            words = words & (shared | (both * 0xFFFF).astype(words.dtype))
    return words


def log_likelihood(story: Story, evidence: Evidence) -> float:
    """Return the logarithm of the probability of all looks, if the story is true."""
    assert evidence.addresses is not None
    ways = predict(story, evidence.addresses)
    width = evidence.part.width_bits
    told = -story.source.cost + _unforeseen(story, evidence)
    if len(ways) > 1:
        return told + _in_ways(ways, evidence.looks, width)
    first = evidence.looks[0]
    told += misses(ways[0], first.words, width).log_probability(story.cells)
    if story.cells.margin and story.cells is not Cells.ANYHOW and not changes(evidence):
        told += _NO_CHANGE
    for at, look in enumerate(evidence.looks[1:], 1):
        before = next(
            (one for one in reversed(evidence.looks[:at]) if abs(one.vcc_v - look.vcc_v) < _SAME_V), first
        )
        told += _change(story.cells, ways[0], before, look, width)
    return told


def changes(evidence: Evidence) -> bool:
    """Tell whether any bit read otherwise at another supply, or from one look to the next."""
    first = evidence.looks[0].words
    return any(bool((look.words != first).any()) for look in evidence.looks[1:])


def unexplained_bits(ways: list["Words"], seen: "Words") -> int:
    """Return how many bits of a look come in none of the ways."""
    import numpy as np

    fewest = np.bitwise_count(ways[0] ^ seen)
    for other in ways[1:]:
        fewest = np.minimum(fewest, np.bitwise_count(other ^ seen))
    return int(fewest.sum())


def _unforeseen(story: Story, evidence: Evidence) -> float:
    """Return what content that nobody foretells costs: only what of it can be seen over these wires."""
    import numpy as np

    if not story.source.unknown:
        return 0.0
    assert evidence.addresses is not None
    rows = evidence.addresses
    for wire in story.wires:
        if wire.moves_rows and not wire.loose:
            # Of the words that a dead line joins, the one that it leaves where it is.
            rows = rows[wire.rows(rows) == rows]
    words = story.source.cells[rows]
    for wire in story.wires:
        if not wire.loose:
            words = words & np.uint16(~(wire.out_low | wire.out_high) & 0xFFFF)
    return log_unforeseen(words, evidence.part.width_bits)


def _in_ways(ways: list["Words"], looks: Sequence[Look], width_bits: int) -> float:
    """Return how probable the looks are where each word may come in several ways, at one rate for all."""
    import numpy as np

    usual, others = ways[0], ways[1:]
    hits = telling = 0
    told = 0.0
    for look in looks:
        seen = look.words
        differs = np.zeros(len(seen), np.bool_)
        other_hit = np.zeros(len(seen), np.bool_)
        best = usual.copy()
        fewest = np.bitwise_count(usual ^ seen)
        for other in others:
            differs |= other != usual
            missed = np.bitwise_count(other ^ seen)
            better = missed < fewest
            best[better] = other[better]
            fewest = np.minimum(fewest, missed)
            other_hit |= better
        hits += int(np.count_nonzero(other_hit))
        telling += int(np.count_nonzero(differs))
        told += misses(best, seen, width_bits).log_probability(Cells.SOUND)
    return told + NOW_AND_THEN.log_marginal(hits, telling)


def _change(cells: Cells, predicted: "Words", before: Look, look: Look, width_bits: int) -> float:
    """Return how probable a further look is, given one before it: the last at its supply, or the first."""
    import numpy as np

    fell = before.words & ~look.words
    rose = look.words & ~before.words
    everything = np.uint16((1 << width_bits) - 1)
    if not cells.margin:
        return STEADY.log_marginal(_bits(fell | rose), len(predicted) * width_bits)
    if cells is Cells.ANYHOW:
        return ANY.log_marginal(_bits(fell | rose), len(predicted) * width_bits)
    movable = predicted if cells is Cells.FADING_ZEROS else predicted ^ everything
    rate = cells.zeros if cells is Cells.FADING_ZEROS else cells.ones
    flicker = STEADY if rate is FEW else FLICKER
    told = STEADY.log_marginal(_bits((fell | rose) & ~movable), _bits(~movable & everything))
    if abs(look.vcc_v - before.vcc_v) < _SAME_V:
        return told + flicker.log_marginal(_bits((fell | rose) & movable), _bits(movable))
    due, undue = (rose, fell) if look.vcc_v > before.vcc_v else (fell, rose)
    able = movable & (~before.words if look.vcc_v > before.vcc_v else before.words) & everything
    rest = movable & ~able & everything
    return (
        told
        + rate.log_marginal(_bits(due & able), _bits(able))
        + flicker.log_marginal(_bits(undue & rest), _bits(rest))
    )


def _bits(words: "NDArray[np.uint16]") -> int:
    import numpy as np

    return int(np.bitwise_count(words).sum())
