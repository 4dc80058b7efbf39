"""What the cells may hold: the image, or in another order, another image, nothing, or what nobody knows.

Each source is a whole chip's words, as a read through sound wires would bring them.
"""

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from daemon.catalogue.terms import Level, Mode
from daemon.diagnosis.causes import SHARES, Cause, fault
from daemon.diagnosis.evidence import Evidence
from daemon.diagnosis.known_images import matches_of
from daemon.diagnosis.source import Source, bytes_of, words_of
from daemon.diagnosis.strangers import old_under, other_version, stranger_factor
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


def sources_of(evidence: Evidence, majority: "Words") -> Iterator[Source]:
    """Yield what the cells may hold; `majority` is what most looks at each word agree on, for all words."""
    import numpy as np

    part = evidence.part
    blank = np.full(part.words, evidence.blank_word, np.uint16)
    wanted = evidence.wanted
    here = _AFTER_PROGRAMMING if evidence.programmed_here else 1.0
    turned = False
    if wanted is not None:
        yield Source(wanted, 1.0, wired=True)
        for source in _orders(evidence, wanted, majority, here):
            turned |= _is_held(source, evidence, majority)
            yield source
        yield from _partly(evidence, wanted, majority)
        yield from other_version(evidence, wanted, majority, here)
        yield Source(blank, SHARES[Cause.CHIP_BLANK] * here, (fault(Cause.CHIP_BLANK),), wired=True)
        if evidence.code == OutcomeCode.PROGRAM_FAILED:
            yield from _took_nothing(evidence, blank)
    else:
        yield Source(blank, 1.0, wired=True)
    yield from _silent(evidence)
    zeros = np.zeros(part.words, np.uint16)
    yield Source(zeros, SHARES[Cause.ALL_PROGRAMMED], (fault(Cause.ALL_PROGRAMMED),))
    for source in matches_of(evidence, majority, here):
        # The image itself, turned, says more than that the shelf has it turned.
        if not turned or source.faults[0].cause not in (Cause.OLDER_IMAGE, Cause.OTHER_IMAGE):
            yield source
    lockable = part.write is not None and part.write.lockable
    if lockable and evidence.programmed_here:
        yield _unknown(evidence, majority, Cause.WRITE_PROTECTED, 1.0)
    held = Cause.CHIP_PROGRAMMED if wanted is None else Cause.OTHER_CONTENT
    stranger = SHARES[held] * here * stranger_factor(evidence, majority)
    # Content that has something to do with the image, and nobody knows what, reads the same.
    others = () if wanted is None else ((fault(Cause.UNKNOWN), SHARES[Cause.UNKNOWN]),)
    yield Source(majority, stranger, (fault(held),), wired=True, unknown=True, others=others)
    if wanted is not None:
        yield from old_under(evidence, wanted, majority, here)


def _is_held(source: Source, evidence: Evidence, majority: "Words") -> bool:
    return bool((source.cells[evidence.addresses] == majority[evidence.addresses]).all())


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
