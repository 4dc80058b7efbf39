"""The causes of a failure as a job's outcome shows them: likeliest first, with evidence and advice."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from daemon.catalogue.loader import Catalogue
from daemon.diagnosis.advice import advice, headline
from daemon.diagnosis.causes import Cause, Fault, fault
from daemon.diagnosis.direct import Odds, from_pins, from_signature, from_supplies
from daemon.diagnosis.evidence import Evidence
from daemon.jobs.outcome import OutcomeCode

if TYPE_CHECKING:
    from daemon.diagnosis.weighing import Judgement

#: Told as being so; below it the causes are possibilities, and "cannot tell" is said.
SURE = 0.9
_LIKELY = 0.5
_TOLD_FROM = 0.02
_TOLD_MAX = 6

#: What stands between chip and programmer is mended first: until then nothing else is seen for certain.
_ON_THE_WAY = frozenset(
    {
        Cause.PIN_OPEN,
        Cause.PIN_SHORTED,
        Cause.PINS_BRIDGED,
        Cause.LINES_EXCHANGED,
        Cause.LINE_STUCK,
        Cause.CONTACT_INTERMITTENT,
    }
)

Causes = tuple[dict[str, Any], ...]


def causes_from(evidence: Evidence, catalogue: Catalogue, *, asked: bool = False) -> Causes:
    """Return the causes of a failure, likeliest first, as plain values for a record.

    `asked`: nobody says that anything failed; () is then returned where nothing is wrong.
    """
    odds, judgement = _odds(evidence, catalogue)
    if asked and judgement is not None and judgement.best.nothing_wrong:
        return ()
    told = sorted(
        odds.items(), key=lambda item: (-round(min(item[1], 0.99), 2), item[0].cause not in _ON_THE_WAY)
    )
    told = [(each, p) for each, p in told if p >= _TOLD_FROM and each.cause is not Cause.UNKNOWN]
    sure = bool(told) and told[0][1] >= SURE
    if not sure:
        told.append((fault(Cause.UNKNOWN), odds.get(fault(Cause.UNKNOWN), 0.0)))
    shown = told[:_TOLD_MAX] if sure else [*told[: _TOLD_MAX - 1], *told[-1:]][:_TOLD_MAX]
    shown = list(dict(shown).items())
    return tuple(_shown(each, p, evidence, judgement) for each, p in shown)


def _rank(item: tuple[Fault, float]) -> tuple[float, bool]:
    return -round(min(item[1], 0.99), 2), item[0].cause not in _ON_THE_WAY


def _odds(evidence: Evidence, catalogue: Catalogue) -> tuple[Odds, "Judgement | None"]:
    pins = from_pins(evidence, catalogue)
    if pins:
        return pins, None
    supplies = from_supplies(evidence)
    if evidence.code == OutcomeCode.SIGNATURE_MISMATCH:
        return from_signature(evidence, catalogue), None
    judgement = None
    odds: Odds = dict(supplies)
    if evidence.looks:
        # Late: it takes numpy, which a job that ends well has no use for.
        from daemon.diagnosis.weighing import weigh

        judgement = weigh(evidence)
        rest = 1 - max(supplies.values(), default=0.0)
        for each, p in judgement.faults:
            odds[each] = odds.get(each, 0.0) + p * rest
    return odds, judgement


def _shown(each: Fault, p: float, evidence: Evidence, judgement: "Judgement | None") -> dict[str, Any]:
    part = evidence.part
    p = min(max(p, 0.0), 0.99)
    confidence = "sure" if p >= SURE else "likely" if p >= _LIKELY else "possible"
    unknown = each.cause is Cause.UNKNOWN
    return {
        "code": each.cause.value,
        "words": headline(each, part),
        "probability": round(p, 3),
        "confidence": "cannot-tell" if unknown else confidence,
        "pins": [{"pin": pin, "signal": part.signal_of(pin)} for pin in each.pins],
        "evidence": list(_evidence(each, evidence, judgement)),
        "advice": advice(each, part),
        "details": {name: value for name, value in each.details if value is not None},
    }


def _evidence(each: Fault, evidence: Evidence, judgement: "Judgement | None") -> Iterator[str]:
    """Yield what speaks for a cause, in sentences without their full stop."""
    seating = evidence.seating
    if seating is not None:
        own = [found.words for found in seating.faults if found.pin in each.pins]
        yield from (f"pin check: {words}" for words in own)
        if seating.good and judgement is None:
            yield "the pin check found nothing"
    if each.cause is Cause.PIN_OPEN and evidence.ground_open:
        yield "no pin shows against ground, but all show against VCC: a chip is in, without its ground"
    if {"maker", "device"} <= evidence.numbers.keys() and each.cause in (Cause.WRONG_PART, Cause.LINE_STUCK):
        digits = 2 * evidence.part.word_bytes
        signature = evidence.part.signature
        yield (
            f"it names itself {int(evidence.numbers['maker']):0{digits}X}, "
            f"{int(evidence.numbers['device']):0{digits}X}; due are {signature.maker or 0:0{digits}X}, "
            f"{signature.device or 0:0{digits}X}"
        )
    if measured := each.detail("measured_v"):
        yield f"measured {measured:.2f} V"
    if judgement is not None:
        yield from _from_looks(each, evidence, judgement)


def _from_looks(each: Fault, evidence: Evidence, judgement: "Judgement") -> Iterator[str]:
    from daemon.diagnosis.predictions import predict, unexplained_bits

    assert evidence.addresses is not None
    own = next(
        (one.story for one in judgement.stories if any(each in names for names, _ in one.faults)), None
    )
    if own is None:
        return
    words = len(evidence.addresses)
    if not own.source.unknown:
        missed = unexplained_bits(predict(own, evidence.addresses), evidence.looks[0].words)
        but_for = f", but for {missed:,} bits" if missed else ""
        yield f"it explains {words:,} words that were read{but_for}"
    yield from dict.fromkeys(_changes(evidence))


def _changes(evidence: Evidence) -> Iterator[str]:
    from daemon.diagnosis.predictions import unexplained_bits

    first = evidence.looks[0]
    for look in evidence.looks[1:]:
        changed = unexplained_bits([first.words], look.words)
        if changed:
            yield (
                f"{changed:,} bits read otherwise at {look.vcc_v:.2f} V than at {first.vcc_v:.2f} V"
                if abs(look.vcc_v - first.vcc_v) > 0.01
                else f"{changed:,} bits changed from one read to the next at {first.vcc_v:.2f} V"
            )
