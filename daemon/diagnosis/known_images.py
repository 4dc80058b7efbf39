"""Content that the shelf knows: which image it is, and how that stands to the wanted one."""

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from daemon.diagnosis.causes import SHARES, Cause, Fault, fault
from daemon.diagnosis.evidence import Evidence
from daemon.diagnosis.source import Source
from daemon.drawer.lookup import Lane, Match, Relation

if TYPE_CHECKING:
    from daemon.diagnosis.evidence import Words

#: Versions of one program have more bytes in common than strangers (ours; random bytes: 0.4 %).
_VERSION_SHARE = 0.15

_SAYS_MORE = frozenset({Cause.EVEN_ODD_EXCHANGED, Cause.BYTES_EXCHANGED, Cause.WRONG_HALF})
_SAYS_LESS = frozenset({Cause.OTHER_IMAGE, Cause.OLDER_IMAGE})


def matches_of(evidence: Evidence, majority: "Words", here: float) -> Iterator[Source]:
    """Yield what the shelf knows of what was read: it was compared byte by byte there."""
    found = [(match, _known(evidence, majority, match)) for match in evidence.matches]
    # What stands to the image in a known way is on the shelf by itself, too, where its chip was made here.
    explained = any(known is not None and known.cause in _SAYS_MORE for _, known in found)
    for match, known in found:
        if known is None or (explained and not match.differing_bytes and known.cause in _SAYS_LESS):
            continue
        # About three bits of a byte that differs are not foretold (half of eight, and a place for them).
        cost = match.differing_bytes * (8 * math.log(2) + math.log(1 + match.length_bytes))
        yield Source(majority, SHARES[known.cause] * here, (known,), cost=cost, words=match.words)


def _known(evidence: Evidence, majority: "Words", match: Match) -> Fault | None:
    if match.relation is Relation.CONTAINS:
        return None
    details = {"sha256": match.sha256, "name": match.name, "words": match.words}
    if evidence.wanted is None:
        return fault(Cause.CHIP_PROGRAMMED, **details)
    if match.content_lane is not Lane.ALL:
        return None
    own = next((each for each in evidence.wanted_matches if each.sha256 == match.sha256), None)
    if own is not None and own.relation is Relation.WHOLE and own.image_lane is Lane.ALL and not own.swapped:
        # The very image that is wanted: what its orders and wires make of it says more.
        return None
    if own is not None and not match.differing_bytes:
        if {own.image_lane, match.image_lane} == {Lane.EVEN, Lane.ODD}:
            return fault(Cause.EVEN_ODD_EXCHANGED, **details)
        if own.swapped != match.swapped:
            return fault(Cause.BYTES_EXCHANGED, **details)
        if own.image_start_bytes != match.image_start_bytes:
            return fault(Cause.WRONG_HALF, **details)
    alike = _alike(majority, evidence.wanted, evidence.blank_word)
    return fault(Cause.OLDER_IMAGE if alike >= _VERSION_SHARE else Cause.OTHER_IMAGE, **details)


def _alike(held: "Words", wanted: "Words", blank: int) -> float:
    """Return the share of words that both have alike, of those that are not blank in both."""
    import numpy as np

    used = (held != blank) | (wanted != blank)
    return int(np.count_nonzero((held == wanted) & used)) / max(1, int(np.count_nonzero(used)))
