"""What the cells may hold: the image, or in another order, another image, nothing, or what nobody knows.

Each source is a whole chip's words, as a read through sound wires would bring them.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from daemon.catalogue.terms import Level, Mode
from daemon.diagnosis.causes import SHARES, Cause, Fault, fault
from daemon.diagnosis.evidence import Evidence
from daemon.diagnosis.likelihood import ANY, log_unforeseen
from daemon.drawer.lookup import Lane, Match, Relation
from daemon.jobs.likeness import HEADERS_BYTES, Order, OrderKind, moved, orders_of
from daemon.jobs.outcome import OutcomeCode

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from daemon.diagnosis.evidence import Words

_NEEDED = frozenset({Level.VPP, Level.PULSE_LOW, Level.PULSE_HIGH, Level.LOW})
#: An order is told only of an image with so many different bytes: a uniform one looks like many.
_DIFFERENT_MIN = 8
#: A chip that has just been programmed here by this very job hardly holds something of another origin (ours).
_AFTER_PROGRAMMING = 0.01
#: With its pins seen good, a chip is hardly silent (ours).
_SILENT_THOUGH_GOOD = 0.02
_ANCHOR_BYTES, _ANCHORS = 24, 6
#: Versions of one program have more bytes in common than strangers (ours; random bytes: 0.4 %).
_VERSION_SHARE = 0.15
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


def sources_of(evidence: Evidence, majority: "Words") -> Iterator[Source]:
    """Yield what the cells may hold; `majority` is what most looks at each word agree on, for all words."""
    import numpy as np

    part = evidence.part
    blank = np.full(part.words, evidence.blank_word, np.uint16)
    wanted = evidence.wanted
    here = _AFTER_PROGRAMMING if evidence.programmed_here else 1.0
    if wanted is not None:
        yield Source(wanted, 1.0, wired=True)
        yield from _orders(evidence, wanted, majority, here)
        yield from _partly(evidence, wanted, majority)
        yield from _other_version(evidence, wanted, majority, here)
        yield Source(blank, SHARES[Cause.CHIP_BLANK] * here, (fault(Cause.CHIP_BLANK),), wired=True)
        if evidence.code == OutcomeCode.PROGRAM_FAILED:
            yield from _took_nothing(evidence, blank)
    else:
        yield Source(blank, 1.0, wired=True)
    yield from _silent(evidence)
    zeros = np.zeros(part.words, np.uint16)
    yield Source(zeros, SHARES[Cause.ALL_PROGRAMMED], (fault(Cause.ALL_PROGRAMMED),))
    yield from _matches(evidence, majority, here)
    lockable = part.write is not None and part.write.lockable
    if lockable and evidence.programmed_here:
        yield _unknown(evidence, majority, Cause.WRITE_PROTECTED, 1.0)
    held = Cause.CHIP_PROGRAMMED if wanted is None else Cause.OTHER_CONTENT
    stranger = SHARES[held] * here * _stranger_factor(evidence, majority)
    # Content that has something to do with the image, and nobody knows what, reads the same.
    others = () if wanted is None else ((fault(Cause.UNKNOWN), SHARES[Cause.UNKNOWN]),)
    yield Source(majority, stranger, (fault(held),), wired=True, unknown=True, others=others)
    if wanted is not None:
        yield from _old_under(evidence, wanted, majority, here)


def _took_nothing(evidence: Evidence, blank: "Words") -> Iterator[Source]:
    """Yield what keeps a chip from being programmed at all."""
    part, measured = evidence.part, "vpp_v" in evidence.numbers
    levels = part.levels(Mode.PROGRAM) if Mode.PROGRAM in part.modes else {}
    needed = [pin for pin in part.control_pins if levels.get(pin) in _NEEDED]
    pin_share = SHARES[Cause.PIN_OPEN] / len(part.pins) * (0.003 if evidence.pins_seen_good else 1.0)
    causes = [
        # In tolerance where it was measured: then it is hardly to blame.
        (fault(Cause.VPP_WRONG), SHARES[Cause.VPP_WRONG] * (0.02 if measured else 1.0)),
        *((fault(Cause.PIN_OPEN, pin), pin_share) for pin in needed),
        (fault(Cause.WORN), SHARES[Cause.WORN] * 0.3),
        (fault(Cause.WRONG_PART), SHARES[Cause.WRONG_PART] * 0.3),
    ]
    if part.write is not None and part.write.lockable:
        causes.append((fault(Cause.WRITE_PROTECTED), SHARES[Cause.WRITE_PROTECTED]))
    if not part.supplies.vpp_program_v:
        del causes[0]
    for cause, share in causes:
        yield Source(blank, share, (cause,))


def _stranger_factor(evidence: Evidence, majority: "Words") -> float:
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


def _old_under(evidence: Evidence, wanted: "Words", majority: "Words", here: float) -> Iterator[Source]:
    """Yield the image over old content, where nothing but zeros was added: it costs what content costs."""
    import numpy as np

    assert evidence.addresses is not None
    held, due = majority[evidence.addresses], wanted[evidence.addresses]
    if not np.any(held & ~due) and np.any(due & ~held):
        cost = -log_unforeseen(held, evidence.part.width_bits)
        yield Source(majority, SHARES[Cause.NOT_ERASED] * here, (fault(Cause.NOT_ERASED),), cost=cost)


def _other_version(evidence: Evidence, wanted: "Words", majority: "Words", here: float) -> Iterator[Source]:
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


def _unknown(evidence: Evidence, majority: "Words", cause: Cause, factor: float) -> Source:
    return Source(majority, SHARES[cause] * factor, (fault(cause),), wired=True, unknown=True)


def _silent(evidence: Evidence) -> Iterator[Source]:
    import numpy as np

    ones = np.full(evidence.part.words, (1 << evidence.part.width_bits) - 1, np.uint16)
    share = SHARES[Cause.CHIP_SILENT] * (_SILENT_THOUGH_GOOD if evidence.pins_seen_good else 1.0)
    yield Source(ones, share, (fault(Cause.CHIP_SILENT),))


_ORDER_CAUSES = {
    OrderKind.BYTES: Cause.BYTES_EXCHANGED,
    OrderKind.WORDS: Cause.WORDS_EXCHANGED,
    OrderKind.HALVES: Cause.WRONG_HALF,
    OrderKind.INVERTED: Cause.INVERTED,
    OrderKind.BITS: Cause.BITS_REVERSED,
}


def _orders(evidence: Evidence, wanted: "Words", majority: "Words", here: float) -> Iterator[Source]:
    """Yield the image in other orders, and moved by the distance at which its stretches stand."""
    import numpy as np

    asked = bytes_of(wanted, evidence.part.word_bytes)
    if np.unique(asked).size < _DIFFERENT_MIN:
        return
    blank, word_bytes = evidence.part.blank_byte, evidence.part.word_bytes
    seen: set[int] = set()
    for order in orders_of(asked, word_bytes, blank):
        seen.add(order.shift_bytes)
        yield _order_source(evidence, order, majority, here)
    for shift in _shifts(evidence, asked):
        if shift not in seen and abs(shift) < asked.size:
            yield _order_source(evidence, moved(asked, shift, blank), majority, here)


def _order_source(evidence: Evidence, order: Order, majority: "Words", here: float) -> Source:
    word_bytes = evidence.part.word_bytes
    if order.kind in _ORDER_CAUSES:
        cause = _ORDER_CAUSES[order.kind]
        known = fault(cause, exchanged=True) if cause is Cause.WRONG_HALF else fault(cause)
        return Source(words_of(order.data, word_bytes), SHARES[cause] * here, (known,), words=order.words)
    shift = order.shift_bytes
    cause = Cause.HEADER if abs(shift) in HEADERS_BYTES else Cause.OFFSET
    share = SHARES[cause] * here / (2 * len(HEADERS_BYTES) if cause is Cause.HEADER else 4)
    # What stands in the gap is not foretold: a header that nobody knows, or what follows in another file.
    cells, far = words_of(order.data, word_bytes).copy(), -(-abs(shift) // word_bytes)
    gap = slice(0, far) if shift > 0 else slice(len(cells) - far, len(cells))
    cost = 0.0 if (majority[gap] == cells[gap]).all() else abs(shift) * math.log(256)
    cells[gap] = majority[gap]
    known = fault(cause, shift_bytes=shift)
    return Source(cells, share, (known,), cost=cost, words=order.words)


def _shifts(evidence: Evidence, asked: "NDArray[np.uint8]") -> set[int]:
    """Return by how much stretches of the image stand elsewhere in what was read, if in one piece."""
    import numpy as np

    if evidence.addresses is None or len(evidence.addresses) != evidence.part.words:
        return set()
    held = bytes_of(evidence.looks[0].words, evidence.part.word_bytes).tobytes()
    data = asked.tobytes()
    found: list[int] = []
    for at in np.linspace(0, len(data) - _ANCHOR_BYTES, _ANCHORS + 2)[1:-1].astype(int).tolist():
        piece = data[at : at + _ANCHOR_BYTES]
        if len(set(piece)) >= _DIFFERENT_MIN and (there := held.find(piece)) >= 0:
            found.append(there - at)
    return {shift for shift in found if shift and found.count(shift) > 1}


def _partly(evidence: Evidence, wanted: "Words", majority: "Words") -> Iterator[Source]:
    """Yield the image up to where the chip is blank from there on."""
    import numpy as np

    assert evidence.addresses is not None
    held = majority[evidence.addresses]
    # A dead data line makes another word of blank ones.
    blank = (
        int(held[-1]) if int(held[-1]).bit_count() >= evidence.part.width_bits - 2 else evidence.blank_word
    )
    used = np.flatnonzero(held != blank)
    needed = np.flatnonzero(wanted != evidence.blank_word)
    if not used.size or not needed.size:
        return
    upto = int(evidence.addresses[used[-1]]) + 1
    if upto > int(needed[-1]):
        return
    cells = wanted.copy()
    cells[upto:] = evidence.blank_word
    known = fault(Cause.PARTLY_PROGRAMMED, upto_bytes=upto * evidence.part.word_bytes)
    yield Source(cells, SHARES[Cause.PARTLY_PROGRAMMED], (known,), cost=math.log(evidence.part.words))


def _matches(evidence: Evidence, majority: "Words", here: float) -> Iterator[Source]:
    """Yield what the shelf knows of what was read: it was compared byte by byte there."""
    for match in evidence.matches:
        known = _known(evidence, majority, match)
        if known is None:
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


def bytes_of(words: "Words", word_bytes: int) -> "NDArray[np.uint8]":
    """Return words as bytes, the low one of each first."""
    import numpy as np

    return words.astype("<u2").view(np.uint8) if word_bytes == 2 else words.astype(np.uint8)


def words_of(data: "NDArray[np.uint8]", word_bytes: int) -> "Words":
    """Return bytes as words, the low byte first."""
    import numpy as np

    plain = np.ascontiguousarray(data)
    return plain.view("<u2").astype(np.uint16) if word_bytes == 2 else plain.astype(np.uint16)
