"""Which hypotheses explain what was read, and how sure that makes us.

Every story (source of the content, wires, cells) gets the probability of all looks under it (`predictions`)
times its share among failed chips; normalised over all stories, that is Bayes' rule. A cause's probability is
the sum over the stories that it is part of. One story foretells nothing and explains everything a little: it
stands for "cannot tell", and whatever explains no better than that is not claimed.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.diagnosis.causes import SHARES, Cause, Fault, fault
from daemon.diagnosis.evidence import Evidence
from daemon.diagnosis.likelihood import Cells
from daemon.diagnosis.predictions import Story, changes, log_likelihood, predict, unexplained_bits
from daemon.diagnosis.stories import stories_of

if TYPE_CHECKING:
    from daemon.diagnosis.evidence import Words

_CELL_CAUSES = {
    Cells.STUCK: Cause.CELLS_STUCK,
    Cells.OLD_ZEROS: Cause.NOT_ERASED,
    Cells.FADING_ZEROS: Cause.NOT_FULLY_ERASED,
    Cells.FEW_ONES: Cause.WEAK_CELLS,
    Cells.MANY_ONES: Cause.UNDER_PROGRAMMED,
    Cells.ANYHOW: Cause.UNKNOWN,
}
#: Old bits can hardly be there after a blank check that passed (ours).
_AFTER_BLANK = 0.02
#: What a story with sound cells may leave unexplained: so many bits, or such a share of all (ours).
_LEFT_BITS, _LEFT_SHARE = 3, 0.0003
#: From so many wrong bits on, no one data line has more than this share of them by chance (ours).
_SCATTERED_FROM, _ONE_LINE, _CHUNKS = 24, 0.6, 16
#: and no sixteenth of the chip has so much less than another (ours).
_EVENLY = 0.15
#: What is left of a cause's probability where no story is adequate (ours).
_HALF_TRUE = 0.6
#: A chip that was not programmed in this job may still have been in this socket (ours).
_SO_BEFORE = 0.25
#: Content that is in a chip twice by intention: in its upper and lower half, or at other lines (ours).
_REPEATED_TOP, _REPEATED = 0.1, 0.01
#: Of chips that failed, those that read right when looked at again without more to be seen (ours).
_RIGHT_NOW = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """A story with its probability and the faults that it can come from, with their probabilities."""

    story: Story
    probability: float
    faults: tuple[tuple[tuple[Fault, ...], float], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Judgement:
    """The probability of each fault, likeliest first, and the stories behind them, best first.

    `trust` is less than 1 where even the best story leaves much unexplained: then something that nobody
    thought of is at work, and no cause is claimed.
    """

    faults: tuple[tuple[Fault, float], ...]
    stories: tuple[Weighed, ...]
    trust: float = 1.0

    @property
    def best(self) -> Story:
        """The likeliest story."""
        return self.stories[0].story


def weigh(evidence: Evidence) -> Judgement:
    """Weigh all stories. There is at least one look."""
    majority = _majority(evidence)
    found: list[tuple[Story, float, list[tuple[tuple[Fault, ...], float]]]] = []
    for story in stories_of(evidence, majority):
        faults = _prior(story, evidence)
        share = sum(each for _, each in faults)
        if share > 0:
            found.append((story, math.log(share) + log_likelihood(story, evidence), faults))
    found.sort(key=lambda each: -each[1])
    top = found[0][1]
    weights = [math.exp(max(score - top, -700.0)) for _, score, _ in found]
    total = sum(weights)
    weighed = []
    for (story, _, faults), weight in zip(found, weights, strict=True):
        share = sum(each for _, each in faults)
        p = weight / total
        weighed.append(Weighed(story, p, tuple((names, p * each / share) for names, each in faults)))
    trust = 1.0 if adequate(weighed[0].story, evidence) else _HALF_TRUE
    return Judgement(tuple((each, p * trust) for each, p in _by_fault(weighed)), tuple(weighed[:20]), trust)


def adequate(story: Story, evidence: Evidence) -> bool:
    """Tell whether a story leaves no more unexplained than chance does.

    The best of all stories may still be a bad one. Sound cells leave next to no bit unexplained; cells that
    fail do so all over the chip, and not on one data line.
    """
    import numpy as np

    assert evidence.addresses is not None
    if story.cells is Cells.ANYHOW:
        return True
    seen, width = evidence.looks[0].words, evidence.part.width_bits
    ways = predict(story, evidence.addresses)
    missed = unexplained_bits(ways, seen)
    if story.cells is Cells.SOUND:
        return missed <= max(_LEFT_BITS, len(seen) * width * _LEFT_SHARE)
    one_supply = len({round(look.vcc_v, 2) for look in evidence.looks}) == 1
    if story.cells.margin and (one_supply or not changes(evidence)):
        # Without a change nobody knows whether they are at their margin.
        return False
    wrong = ways[0] ^ seen
    by_line = [int(np.count_nonzero(wrong >> bit & 1)) for bit in range(width)]
    if missed < _SCATTERED_FROM:
        return True
    return max(by_line) < _ONE_LINE * missed and _all_over(ways[0], wrong, story.cells)


def _all_over(predicted: "Words", wrong: "Words", cells: Cells) -> bool:
    """Tell whether wrong bits are all over the chip, and not everywhere here and nowhere there.

    Old bits and stuck cells know no place, while another version of a program differs in stretches; cells at
    their margin show by their change, and only a part that is quite sound beside a spoilt one speaks against
    them.
    """
    import numpy as np

    lost_ones = int(np.bitwise_count(wrong & predicted).sum()) * 2 > int(np.bitwise_count(wrong).sum())
    movable = predicted if lost_ones else ~predicted & wrong.dtype.type(0xFFFF)
    shares = []
    for some, other in zip(np.array_split(movable, _CHUNKS), np.array_split(wrong, _CHUNKS), strict=True):
        due = int(np.bitwise_count(some).sum())
        if due >= _SCATTERED_FROM:
            shares.append(int(np.bitwise_count(some & other).sum()) / due)
    if not shares:
        return True
    if cells.margin:
        return min(shares) > 0.02 or max(shares) < 0.6
    return min(shares) > _EVENLY * max(shares)


def _by_fault(weighed: Iterable[Weighed]) -> tuple[tuple[Fault, float], ...]:
    sums: dict[Fault, float] = {}
    for each in weighed:
        for names, p in each.faults:
            for name in dict.fromkeys(names):
                sums[name] = sums.get(name, 0.0) + p
    return tuple(sorted(sums.items(), key=lambda item: -item[1]))


def _majority(evidence: Evidence) -> "Words":
    """Return for every word of the part what most looks at the nominal supply agree on, bit by bit."""
    import numpy as np

    assert evidence.addresses is not None
    nominal_v = evidence.looks[0].vcc_v
    looks = [look.words for look in evidence.looks if abs(look.vcc_v - nominal_v) < 0.01]
    if len(looks) > 2:
        one, two, three = looks[:3]
        agreed = one & two | one & three | two & three
    else:
        agreed = looks[0]
    whole = np.full(evidence.part.words, evidence.blank_word, np.uint16)
    whole[evidence.addresses] = agreed
    return whole


# Shares


def _prior(story: Story, evidence: Evidence) -> list[tuple[tuple[Fault, ...], float]]:
    """Return the sets of faults that a story can come from, with their shares among failed chips."""
    sets: list[tuple[tuple[Fault, ...], float]] = [
        (story.source.faults, story.source.share),
        *(((other,), share) for other, share in story.source.others),
    ]
    for wire in story.wires:
        if not wire.faults:
            top = wire.low >> (evidence.part.address_bits - 1)
            sets = [(names, share * (_REPEATED_TOP if top else _REPEATED)) for names, share in sets]
            continue
        sets = [
            ((*names, one), share * each * SHARES[one.cause])
            for names, share in sets
            for one, each in wire.faults
        ]
    if any(wire.low or wire.high or wire.joined for wire in story.wires):
        so = 1.0 if evidence.programmed_here else _SO_BEFORE
        factor = so if story.programmed_so else max(1 - so, 0.05)
        sets = [(names, share * factor) for names, share in sets]
    if story.cells is not Cells.SOUND:
        cause = _CELL_CAUSES[story.cells]
        share = SHARES[cause]
        if evidence.was_blank and cause in (Cause.NOT_ERASED, Cause.NOT_FULLY_ERASED):
            share *= _AFTER_BLANK
        if evidence.wanted is None and cause in (
            Cause.NOT_ERASED,
            Cause.WEAK_CELLS,
            Cause.UNDER_PROGRAMMED,
        ):
            share = 0.0
        sets = [((*names, fault(cause)), each * share) for names, each in sets]
    if sets and not sets[0][0]:
        # Nothing is wrong with it now: what came and went was a contact, or nobody knows what.
        share = sets[0][1] * _RIGHT_NOW
        return [
            ((fault(Cause.CONTACT_INTERMITTENT),), share / 2),
            ((fault(Cause.UNKNOWN),), share / 2),
        ]
    return sets
