"""Content that no image tells: quite another program, another version, or old bits under the image."""

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from daemon.diagnosis.causes import SHARES, Cause, fault
from daemon.diagnosis.evidence import Evidence
from daemon.diagnosis.likelihood import ANY, log_unforeseen
from daemon.diagnosis.source import Source

if TYPE_CHECKING:
    from daemon.diagnosis.evidence import Words

_NO_STRANGER = 1e-9
#: Strangers' bits differ both ways, and one hardly foretells the other: so much is granted, since tables and
#: fonts have the same rhythm (ours).
_ONE_WAY, _GAIN = 0.02, 20.0
#: A data line that never changes in a sound program, and the top one of text (ours).
_CONSTANT_LINE, _TEXT, _FEW_WORDS = 0.01, 0.3, 64
#: What differs between two versions stands together: so many words at least, with gaps of so many at most.
_STRETCH_WORDS, _STRETCH_GAP = 8, 12
#: and its bits differ both ways, which old charge or missing charge does not do.
_BOTH_WAYS = 0.15


def stranger_factor(evidence: Evidence, majority: "Words") -> float:
    """Return how well "something else" goes with what the chip has in common with the image.

    Strangers have nothing to do with each other, and differ both ways; and hardly a program has one data line
    that never changes, but for the top one of text.
    """
    import numpy as np

    if evidence.addresses is None:
        return 1.0
    held = majority[evidence.addresses]
    used = held != evidence.blank_word
    if np.count_nonzero(used) < _FEW_WORDS:
        return 1.0
    ones, zeros = int(np.bitwise_and.reduce(held[used])), ~int(np.bitwise_or.reduce(held[used]))
    factor = 1.0
    for bit in range(evidence.part.width_bits):
        if ones >> bit & 1 or zeros >> bit & 1:
            top_zero = bit % 8 == 7 and not ones >> bit & 1
            factor *= _TEXT if top_zero else _CONSTANT_LINE
    if evidence.wanted is None:
        return factor
    wanted = evidence.wanted[evidence.addresses]
    both = used & (wanted != evidence.blank_word)
    gain = _dependence(held[both], wanted[both], evidence.part.width_bits)
    cleared, set_ = (int(np.bitwise_count(bits).sum()) for bits in (wanted & ~held, held & ~wanted))
    one_way = min(cleared, set_) < _ONE_WAY * (cleared + set_)
    return _NO_STRANGER if one_way else factor * math.exp(-min(max(gain - _GAIN, 0.0), 50.0))


def _dependence(held: "Words", due: "Words", width_bits: int) -> float:
    """Return the logarithm of how much better the image foretells the content than the content itself does.

    Bit by bit on each data line, with rates integrated over. Where the two have nothing to do with each other
    it exceeds g with a probability below exp(-g) (Markov's inequality for a likelihood ratio).
    """
    import numpy as np

    gain = 0.0
    for bit in range(width_bits):
        seen, asked = (held >> bit & 1).astype(np.int64), (due >> bit & 1).astype(np.int64)
        ones, of_ones = int((seen & asked).sum()), int(asked.sum())
        rest, of_rest = int(seen.sum()) - ones, len(held) - of_ones
        gain += ANY.log_marginal(ones, of_ones) + ANY.log_marginal(rest, of_rest)
        gain -= ANY.log_marginal(ones + rest, len(held))
    return gain


def old_under(evidence: Evidence, wanted: "Words", majority: "Words", here: float) -> Iterator[Source]:
    """Yield the image over old content, where nothing but zeros was added: it costs what content costs."""
    import numpy as np

    assert evidence.addresses is not None
    held, due = majority[evidence.addresses], wanted[evidence.addresses]
    if not np.any(held & ~due) and np.any(due & ~held):
        cost = -log_unforeseen(held, evidence.part.width_bits)
        yield Source(majority, SHARES[Cause.NOT_ERASED] * here, (fault(Cause.NOT_ERASED),), cost=cost)


def other_version(evidence: Evidence, wanted: "Words", majority: "Words", here: float) -> Iterator[Source]:
    """Yield the image with stretches that are otherwise, as another version of a program has them."""
    import numpy as np

    if evidence.addresses is None or len(evidence.addresses) < _STRETCH_WORDS:
        return
    differing = np.flatnonzero(majority[evidence.addresses] != wanted[evidence.addresses])
    if not differing.size:
        return
    cuts = np.flatnonzero(np.diff(differing) > _STRETCH_GAP)
    starts, ends = differing[np.r_[0, cuts + 1]], differing[np.r_[cuts, differing.size - 1]] + 1
    inside = int((ends - starts).sum())
    # Stretches that are mostly as they should be are no stretches: single bits are another matter.
    if differing.size < 0.5 * inside or inside < _STRETCH_WORDS or inside > 0.6 * len(evidence.addresses):
        return
    held, due = majority[evidence.addresses[differing]], wanted[evidence.addresses[differing]]
    cleared, set_ = (int(np.bitwise_count(bits).sum()) for bits in (due & ~held, held & ~due))
    if min(cleared, set_) < _BOTH_WAYS * (cleared + set_):
        return
    cells = wanted.copy()
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        places = evidence.addresses[start:end]
        cells[places] = majority[places]
    told = np.concatenate([evidence.addresses[a:b] for a, b in zip(starts, ends, strict=True)])
    cost = -log_unforeseen(majority[told], evidence.part.width_bits)
    cost += 2 * len(starts) * math.log(len(evidence.addresses))
    known = fault(Cause.OTHER_CONTENT, stretches=len(starts), differing_words=int(differing.size))
    yield Source(cells, SHARES[Cause.OTHER_CONTENT] * here, (known,), cost=cost)
