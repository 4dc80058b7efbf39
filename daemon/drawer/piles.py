"""Which pile a chip goes to."""

from dataclasses import dataclass
from enum import StrEnum

from daemon.catalogue.model import Part
from daemon.catalogue.terms import Kind
from daemon.drawer.sight import Candidate

#: Most parts ask for 15 J/cm2; some for twice that (see the erase table of each part).
_USUAL_DOSE_J = 15.0


class Pile(StrEnum):
    """Where the chip goes next."""

    KEEP = "keep"
    """Ready to be programmed, or it holds something that is known or cannot be had again."""
    ERASE_15 = "erase-15"
    ERASE_30 = "erase-30"
    ELECTRICAL = "electrically-erasable"
    ONE_TIME = "one-time"
    REJECT = "reject"


TITLES = {
    Pile.KEEP: "keep",
    Pile.ERASE_15: "erase, 15 J/cm²",
    Pile.ERASE_30: "erase, 30 J/cm²",
    Pile.ELECTRICAL: "electrically erasable",
    Pile.ONE_TIME: "one-time",
    Pile.REJECT: "reject",
}


@dataclass(frozen=True, slots=True)
class Sorted:
    """The pile, why, and whether something that is not known could still change it."""

    pile: Pile
    reason: str
    certain: bool = True


@dataclass(frozen=True, slots=True)
class Facts:
    """What sorting needs to know of the content.

    `blank`: nothing but ones at the nominal supply; `low_bits`: how many bits were 0 at the lowest supply
    then, None where nobody looked. `known_as` names the image it holds, empty for none.
    """

    blank: bool
    low_bits: int | None = None
    low_v: float = 0.0
    known_as: str = ""


def sort_chip(candidates: tuple[Candidate, ...], facts: Facts, *, windowed: bool | None) -> Sorted:
    """Choose the pile of a chip that reads well and can be one of these, the likeliest first.

    Where they would go to different piles, the likeliest decides, and in a package without a window the
    caution that what cannot be erased by light may be used up.
    """
    ways = list(dict.fromkeys(_way(each) for each in candidates))
    way, certain = ways[0], len(ways) == 1
    if not certain and windowed is False and "one-time" in ways:
        way = "one-time"
    mine = tuple(each.part for each in candidates if _way(each) == way)
    found = _sorted(way, mine, facts)
    others = {_sorted(other, tuple(e.part for e in candidates if _way(e) == other), facts).pile
              for other in ways}  # fmt: skip
    if others <= {found.pile}:
        return found
    names = ", ".join(TITLES[pile] for pile in Pile if pile in others - {found.pile})
    return Sorted(found.pile, f"{found.reason}; another candidate would go to: {names}", certain=False)


def _way(candidate: Candidate) -> str:
    """Return how the chip can be used again: by light, electrically, once, or never."""
    match candidate.part.kind:
        case Kind.UV_EPROM:
            return "one-time" if candidate.one_time else "light"
        case Kind.OTP_EPROM:
            return "one-time"
        case Kind.MASK_ROM:
            return "mask"
        case _:
            return "electrical"


def _sorted(way: str, parts: tuple[Part, ...], facts: Facts) -> Sorted:
    if way == "mask":
        return Sorted(Pile.KEEP, "a mask ROM holds what it holds for good")
    if facts.known_as:
        return Sorted(Pile.KEEP, f"it holds {facts.known_as}")
    if way == "electrical":
        state = "blank, and" if facts.blank else "it"
        return Sorted(Pile.ELECTRICAL, f"{state} can be written again without light")
    if way == "one-time":
        state = "blank: it can be programmed once" if facts.blank else "used: no light reaches its die"
        return Sorted(Pile.ONE_TIME, state)
    if facts.blank and not facts.low_bits:
        looked = f", at {facts.low_v:.2f} V too" if facts.low_bits == 0 else "; not looked at lower"
        return Sorted(Pile.KEEP, f"blank{looked}: it can be programmed")
    return _by_light(parts, facts)


def _by_light(parts: tuple[Part, ...], facts: Facts) -> Sorted:
    doses = {part.erase.dose_j_per_cm2 or _USUAL_DOSE_J: part for part in parts}
    most_j = max(doses)
    why = "it holds content"
    if facts.blank:
        why = f"{facts.low_bits:,} bits read 0 at {facts.low_v:.2f} V: it is not fully erased"
    if most_j <= _USUAL_DOSE_J:
        return Sorted(Pile.ERASE_15, f"{why}, and asks for {most_j:g} J/cm²")
    who = f"{doses[most_j].maker} {doses[most_j].name}"
    more = f"the {who}, which it can be, asks" if len(parts) > 1 else f"the {who} asks"
    return Sorted(Pile.ERASE_30, f"{why}, and {more} for {most_j:g} J/cm²")
