"""Causes that were measured outright: from the pins, from supplies, from a signature.

Where content has to be compared, `weighing` does it; here one look is mostly enough.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from daemon.catalogue.jep106 import maker_name
from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.catalogue.pins import is_idle
from daemon.diagnosis.causes import SHARES, Cause, Fault, fault
from daemon.diagnosis.evidence import Evidence
from daemon.diagnosis.seating import PinFault, Seating
from daemon.diagnosis.wires import Wire, wires_of
from daemon.programmers.fitting import supplies_of
from protocol.wire import NONE_U16, PinState
from protocol.wire import Fault as Latched

Odds = dict[Fault, float]

#: How sure a pin check makes us of the pin that it names (ours: resistance of dirt, a tired spring).
_PIN_SURE = 0.96
#: So many open pins at once are no folded pins: the chip sits askew, or is another one.
_MANY_OPEN = 0.3


# Pins


def from_pins(evidence: Evidence, catalogue: Catalogue) -> Odds:
    """Return what the pins show, {} when nothing is wrong with them."""
    seating = evidence.seating
    if seating is None or seating.good:
        return {}
    part = evidence.part
    if seating.missing:
        return _missing(evidence)
    if seating.reversed:
        return {fault(Cause.CHIP_REVERSED): 0.97}
    odds: Odds = {}
    opened = [each for each in seating.faults if each.state is PinState.OPEN]
    odds |= _open_pins(part, opened, catalogue)
    for each in seating.faults:
        if each.state in (PinState.SHORT_TO_GROUND, PinState.SHORT_TO_VCC):
            to = "VCC" if each.state is PinState.SHORT_TO_VCC else "ground"
            odds[fault(Cause.PIN_SHORTED, each.pin, to=to)] = _PIN_SURE
        elif each.state is PinState.REVERSED:
            odds[fault(Cause.WRONG_PART)] = 0.6
    odds |= _bridges(seating)
    return odds


def _missing(evidence: Evidence) -> Odds:
    if evidence.rows_too_high:
        return {fault(Cause.CHIP_SHIFTED, rows=evidence.rows_too_high): 0.96}
    grounds = evidence.part.ground_pins
    if evidence.ground_open:
        return {fault(Cause.PIN_OPEN, *grounds): 0.95}
    total = SHARES[Cause.NO_CHIP] + SHARES[Cause.CHIP_SHIFTED] / 4 + SHARES[Cause.PIN_OPEN] / 28
    return {
        fault(Cause.NO_CHIP): SHARES[Cause.NO_CHIP] / total,
        fault(Cause.CHIP_SHIFTED): SHARES[Cause.CHIP_SHIFTED] / 4 / total,
        fault(Cause.PIN_OPEN, *grounds): SHARES[Cause.PIN_OPEN] / 28 / total,
    }


def _open_pins(part: Part, opened: Sequence[PinFault], catalogue: Catalogue) -> Odds:
    """Weigh folded pins against another part that has nothing inside at just these pins."""
    if not opened:
        return {}
    pins = frozenset(each.pin for each in opened)
    others = [other for other in catalogue if other is not part and _open_on(other, part) == pins]
    alone = math.prod([SHARES[Cause.PIN_OPEN] / len(part.pins)] * len(pins))
    # Most chips are what their label says: one of many that fits just so is rarely the one.
    other = SHARES[Cause.WRONG_PART] * 0.1 if others else 0.0
    many = len(pins) > _MANY_OPEN * len(part.pins)
    askew = SHARES[Cause.CHIP_SHIFTED] if many else 0.0
    total = alone + other + askew
    odds: Odds = {fault(Cause.PIN_OPEN, pin): _PIN_SURE * alone / total for pin in sorted(pins)}
    if others:
        names = ", ".join(dict.fromkeys(each.name for each in others[:6]))
        odds[fault(Cause.WRONG_PART, names=names)] = _PIN_SURE * other / total
    if many:
        odds[fault(Cause.CHIP_SHIFTED)] = _PIN_SURE * askew / total
    return odds


def _open_on(other: Part, part: Part) -> frozenset[int] | None:
    """Return the pins that would read open with another part in this one's place; None if it does not fit."""
    if other.package != part.package or other.ground_pins != part.ground_pins:
        return None
    needed = {pin for pin in range(1, len(part.pins) + 1) if not is_idle(part.signal_of(pin))}
    return frozenset(pin for pin in needed if is_idle(other.signal_of(pin)))


def _bridges(seating: Seating) -> Odds:
    """Pair neighbours: pins that touch each other are mostly next to each other."""
    bridged = [each.pin for each in seating.faults if each.state is PinState.BRIDGED]
    odds: Odds = {}
    while bridged:
        pin = bridged.pop(0)
        if pin + 1 in bridged:
            bridged.remove(pin + 1)
            odds[fault(Cause.PINS_BRIDGED, pin, pin + 1)] = _PIN_SURE
        elif bridged and len(bridged) == 1:
            odds[fault(Cause.PINS_BRIDGED, pin, bridged.pop())] = 0.85
        else:
            odds[fault(Cause.PINS_BRIDGED, pin)] = 0.85
    return odds


# Supplies


def from_supplies(evidence: Evidence) -> Odds:
    """Return what the supplies show: what the programmer refused by, or what VPP measured afterwards."""
    numbers, latched = evidence.numbers, Latched(evidence.faults)
    if latched & (Latched.VCC_OVER_CURRENT | Latched.VPP_OVER_CURRENT) or _status(numbers, "OVER_CURRENT"):
        return _over_current(evidence)
    wanted = supplies_of(evidence.part)
    vpp_mv = _mv(numbers, "vpp")
    off_mv = abs(vpp_mv - wanted.vpp_program_mv) if vpp_mv and wanted.vpp_program_mv else 0
    vpp_out = off_mv > wanted.vpp_tolerance_mv
    if Latched.VPP_OUT_OF_TOLERANCE in latched:
        cause = Cause.VPP_WRONG if vpp_out else Cause.VPP_SAGS
        return {fault(cause, measured_v=(vpp_mv or 0) / 1000): 0.95}
    if Latched.VCC_OUT_OF_TOLERANCE in latched:
        return {fault(Cause.VCC_WRONG, measured_v=(_mv(numbers, "vcc") or 0) / 1000): 0.93}
    refused = _status(numbers, "SUPPLY_OUT_OF_TOLERANCE") or "supply" in evidence.code
    if vpp_out:
        return {fault(Cause.VPP_WRONG, measured_v=(vpp_mv or 0) / 1000): 0.95}
    if refused:
        return {fault(Cause.VCC_WRONG, measured_v=(_mv(numbers, "vcc") or 0) / 1000): 0.85}
    return {}


def _mv(numbers: Mapping[str, Any], name: str) -> int | None:
    volts = numbers.get(f"{name}_v")
    if isinstance(volts, int | float):
        return round(float(volts) * 1000)
    value = int(numbers.get(f"{name}_mv") or 0)
    return value if 0 < value < NONE_U16 else None


def _status(numbers: Mapping[str, Any], name: str) -> bool:
    return numbers.get("status") == name


def _over_current(evidence: Evidence) -> Odds:
    if evidence.pins_seen_good:
        return {fault(Cause.OVER_CURRENT): 0.75, fault(Cause.WRONG_PART): 0.15}
    return {
        fault(Cause.CHIP_REVERSED): 0.35,
        fault(Cause.OVER_CURRENT): 0.25,
        fault(Cause.CHIP_SHIFTED): 0.15,
        fault(Cause.PIN_SHORTED): 0.10,
        fault(Cause.WRONG_PART): 0.10,
    }


# Signature

#: Codes that a wrong part may well show: one of the catalogue, or one that nobody here knows.
_KNOWN_SHARE = 0.85


def from_signature(evidence: Evidence, catalogue: Catalogue) -> Odds:
    """Weigh what a signature that is not the part's can come from."""
    part, numbers = evidence.part, evidence.numbers
    if not {"maker", "device"} <= numbers.keys() or part.signature.maker is None:
        return {}
    seen = (int(numbers["maker"]), int(numbers["device"]))
    due = (part.signature.maker, part.signature.device or 0)
    scores: Odds = {fault(Cause.UNKNOWN): SHARES[Cause.UNKNOWN] / 65536}
    same = catalogue.by_signature(*seen)
    signed = sum(each.signature.maker is not None for each in catalogue)
    chance = _KNOWN_SHARE * len(same) / signed if same else 0.0
    known_maker = maker_name(seen[0] & 0xFF) is not None
    chance += (1 - _KNOWN_SHARE) / 65536 * (64 if known_maker else 0.2)
    names = ", ".join(sorted({each.name for each in same}))
    scores[fault(Cause.WRONG_PART, names=names)] = SHARES[Cause.WRONG_PART] * chance
    ones = (1 << part.width_bits) - 1
    if seen == (ones, ones):
        quiet = 0.1 if evidence.pins_seen_good else 1.0
        scores[fault(Cause.CHIP_SILENT)] = SHARES[Cause.CHIP_SILENT] * quiet
    if _reads_plain(evidence, seen):
        # The two words of its content: the chip does not go over to its signature.
        a9 = part.pin_numbers("A9")
        open_share = SHARES[Cause.PIN_OPEN] / len(part.pins) * (0.003 if evidence.pins_seen_good else 1.0)
        scores[fault(Cause.PIN_OPEN, *a9)] = open_share
        scores[fault(Cause.WRONG_PART, names="", unsigned=True)] = SHARES[Cause.WRONG_PART] * 0.3
    for wire in wires_of(part, pins_good=evidence.pins_seen_good):
        if not wire.two_ways and _signs_as(wire, due, seen) and _holds(wire, evidence):
            for each, share in wire.faults:
                scores[each] = scores.get(each, 0.0) + SHARES[each.cause] * share
    total = sum(scores.values())
    return {each: score / total for each, score in scores.items()}


def _reads_plain(evidence: Evidence, seen: tuple[int, int]) -> bool:
    addresses = evidence.addresses
    if addresses is None or len(addresses) < 2 or addresses[0] != 0 or addresses[1] != 1:
        return False
    words = evidence.looks[0].words
    return (int(words[0]), int(words[1])) == seen


def _signs_as(wire: Wire, due: tuple[int, int], seen: tuple[int, int]) -> bool:
    """Tell whether a chip with the due signature would show the seen one over this wire."""
    import numpy as np

    if wire.moves_rows and (wire.low | wire.high) != 1:
        return False
    rows = wire.rows(np.array([0, 1], np.int64))
    words = np.array([due[int(row) & 1] for row in rows], np.uint16)
    sensed = wire.outputs(words, np.array([0, 1], np.int64))
    return (int(sensed[0]), int(sensed[1])) == seen


def _holds(wire: Wire, evidence: Evidence) -> bool:
    """Tell whether the content that was read agrees with a dead data line."""
    import numpy as np

    for look in evidence.looks:
        if wire.out_low and int(np.bitwise_or.reduce(look.words)) & wire.out_low:
            return False
        if wire.out_high and int(np.bitwise_and.reduce(look.words)) & wire.out_high != wire.out_high:
            return False
    return True


def odds_in_order(odds: Odds) -> Iterator[tuple[Fault, float]]:
    """Yield faults, the likeliest first."""
    yield from sorted(odds.items(), key=lambda item: -item[1])
