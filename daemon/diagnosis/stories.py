"""Which hypotheses are worth weighing: all sources of content, and the wires and cells that come near.

What is certain to be far off is left out by a look at a sample of the words, so that a diagnosis takes a
fraction of a second.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.diagnosis.evidence import Evidence
from daemon.diagnosis.likelihood import Cells
from daemon.diagnosis.predictions import Story, predict
from daemon.diagnosis.source import Source
from daemon.diagnosis.sources import sources_of
from daemon.diagnosis.wires import Wire, wires_of

if TYPE_CHECKING:
    from daemon.diagnosis.evidence import Words

#: Words of the sample.
_QUICK_WORDS = 700
#: Wires that are weighed in full, and pairs of them; images in another order that are tried with wires.
_WIRES_KEPT, _PAIRED, _PAIRS_KEPT, _ORDERS_WIRED, _WITH_CELLS = 14, 5, 10, 3, 4
#: An image in another order may come with so little that is not foretold (ours).
_PLAIN_COST = 20.0
_FAILING = tuple(cells for cells in Cells if cells is not Cells.SOUND)


def stories_of(evidence: Evidence, majority: "Words") -> Iterator[Story]:
    """Yield the stories to be weighed; `majority` is what most looks agree on, for every word of the part."""
    wires = tuple(wires_of(evidence.part, pins_good=evidence.pins_seen_good))
    quick = _Quick(evidence)
    sources = list(sources_of(evidence, majority))
    plain = [source for source in sources if not source.wired and source.cost < _PLAIN_COST]
    ranked = sorted(((quick.missed(Story(source)), source) for source in plain), key=lambda each: each[0])
    solved = bool(ranked) and ranked[0][0] == 0
    if not solved:
        for _, source in ranked[:_ORDERS_WIRED]:
            # An image in another order may be read over a bad wire, too.
            singles = sorted((Story(source, (wire,)) for wire in wires), key=quick.missed)
            yield from singles[: _WIRES_KEPT // 2]
    for source in sources:
        if source.share != 1.0 or not _misses_any(source, evidence):
            yield Story(source)
        if source.share == 1.0:
            yield from (Story(source, cells=cells) for cells in _FAILING)
        if source.unknown:
            yield Story(source, cells=Cells.ANYHOW)
            if source.wired and not solved and not quick.found_clean:
                yield from (Story(source, (wire,)) for wire in _for_unknown(evidence, wires))
        elif source.wired:
            yield from _over_wires(evidence, source, wires, quick, solved=solved)


def _misses_any(source: Source, evidence: Evidence) -> bool:
    """Tell whether any look differs from the content: then it does not simply read right now."""
    expected = source.cells[evidence.addresses]
    return any(bool((look.words != expected).any()) for look in evidence.looks)


def _for_unknown(evidence: Evidence, wires: Iterable[Wire]) -> Iterator[Wire]:
    """Yield the wires that show in content of which nothing is known, and repeats that are no fault."""
    for wire in wires:
        if (wire.low or wire.high or wire.out_low or wire.out_high) and not wire.drifts:
            yield wire
    for line in range(evidence.part.address_bits):
        yield Wire((), low=1 << line)


def _over_wires(
    evidence: Evidence, source: Source, wires: tuple[Wire, ...], quick: "_Quick", *, solved: bool
) -> Iterator[Story]:
    main = source.share == 1.0
    singles = [Story(source, (wire,)) for wire in wires]
    if main and evidence.wanted is not None:
        # A loose contact leaves no such clean trace of what was programmed over it.
        singles += [
            Story(source, (wire,), True)
            for wire in wires
            if (wire.low or wire.high or wire.joined) and not wire.two_ways
        ]
    ranked = sorted(((quick.count(story), story) for story in singles), key=lambda each: each[0].missed)
    # Where a wire leaves nothing to be explained, no unknown content needs to be thought of.
    quick.found_clean |= main and quick.is_clean(ranked[0][0])
    yield from (story for _, story in ranked[:_WIRES_KEPT])
    if not main:
        return
    yield from _with_cells(source, [each for each in ranked if not each[1].two_ways])
    if solved or quick.is_clean(ranked[0][0]) or quick.missed(Story(source)) == 0:
        return
    pairs = [
        Story(source, (first.wires[0], second), first.programmed_so and not second.moves_rows)
        for _, first in ranked[:_PAIRED]
        for second in wires
        if first.wires[0].faults[0][0].pins != second.faults[0][0].pins
        and not (first.two_ways and second.two_ways)
    ]
    pairs.sort(key=quick.missed)
    yield from pairs[:_PAIRS_KEPT]


def _with_cells(source: Source, ranked: "list[tuple[_Count, Story]]") -> Iterator[Story]:
    """Yield stories of a wire and failing cells: the wires that explain best what the cells cannot."""
    for kinds, name in (
        ((Cells.STUCK, Cells.ANYHOW), "missed"),
        ((Cells.OLD_ZEROS, Cells.FADING_ZEROS), "wrong_ones"),
        ((Cells.FEW_ONES, Cells.MANY_ONES), "wrong_zeros"),
    ):
        nearest = sorted(ranked, key=lambda each, name=name: getattr(each[0], name))  # type: ignore[misc]
        for _, story in nearest[:_WITH_CELLS]:
            for cells in kinds:
                yield Story(source, story.wires, story.programmed_so, cells)


@dataclass(frozen=True, slots=True)
class _Count:
    """Bits of the sample that a story misses; those that read 1 where it has 0, and the other way round."""

    missed: int
    wrong_ones: int
    wrong_zeros: int


class _Quick:
    """Counts the bits that a story misses in a sample of the first look: which ones are worth weighing."""

    def __init__(self, evidence: Evidence) -> None:
        import numpy as np

        assert evidence.addresses is not None
        seen = evidence.looks[0].words
        where = np.arange(len(seen))
        if len(seen) > _QUICK_WORDS:
            where = np.sort(np.random.default_rng(0).choice(len(seen), _QUICK_WORDS, replace=False))
        self._addresses = evidence.addresses[where]
        self._seen = seen[where]
        self._width = evidence.part.width_bits
        self.found_clean = False

    def missed(self, story: Story) -> int:
        """Return how many bits of the sample the story misses."""
        return self.count(story).missed

    def count(self, story: Story) -> _Count:
        """Count the bits of the sample that the story misses."""
        import numpy as np

        ways = predict(story, self._addresses)
        wrong = ways[0] ^ self._seen
        ones = int(np.bitwise_count(wrong & self._seen).sum())
        zeros = int(np.bitwise_count(wrong).sum()) - ones
        if len(ways) == 1:
            return _Count(ones + zeros, ones, zeros)
        fewest = np.bitwise_count(wrong)
        for other in ways[1:]:
            fewest = np.minimum(fewest, np.bitwise_count(other ^ self._seen))
        return _Count(int(fewest.sum()), ones, zeros)

    def is_clean(self, count: _Count) -> bool:
        """Whether a story leaves next to nothing to be explained."""
        return count.missed <= len(self._seen) * self._width // 5000
