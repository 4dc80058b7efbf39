"""Which of the chips on hand go in which position."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from daemon.boards.drawer import ChipState, OnHand
from daemon.boards.seating import Seating
from daemon.catalogue.model import Part
from daemon.catalogue.substitution.verdict import StandIn, Work
from daemon.catalogue.terms import EraseMethod, Semantics


class Preparation(StrEnum):
    """What a chip needs before it can be programmed."""

    NONE = "none"
    ERASE_BY_JOB = "erase-by-job"
    """Electrically, as the first step of its job."""
    ERASE_BY_LIGHT = "erase-by-light"
    LOOK_FIRST = "look-first"
    """Its content is not known: the job's blank check tells."""


@dataclass(frozen=True, slots=True)
class Offer:
    """One kind of chip on hand for one position: usable (`rank`, less is better) or not (None), and why."""

    item: int
    stand_in: StandIn
    rank: tuple[int, ...] | None
    reason: str
    preparation: Preparation = Preparation.NONE


def offer(item: int, chips: OnHand, part: Part, seating: Seating) -> Offer:
    """Judge chips on hand for a position."""
    found = seating.judged(part)
    listed = [each.part.id for each in seating.candidates]
    if part.id not in listed:
        return Offer(item, found, None, f"{part.name} is not among the parts that the recipe accepts.")
    if (reason := seating.why_not(found)) is not None:
        return Offer(item, found, None, reason)
    allowed_ns = seating.position.access_ns
    if chips.access_ns is not None and chips.access_ns > allowed_ns:
        return Offer(
            item, found, None, f"It is marked for {chips.access_ns:g} ns; the board waits {allowed_ns:g} ns."
        )
    preparation = _preparation(part, chips.state)
    if preparation is None:
        return Offer(item, found, None, f"{part.name} is a one-time part, and these have been used.")
    unsure_speed = chips.access_ns is None and any(task.work is Work.GRADE for task in found.tasks)
    order = (
        _EFFORT[preparation],
        found.verdict.rank,
        listed.index(part.id) if seating.position.parts else 0,
        int(unsure_speed),
        len(found.tasks),
        item,
    )
    return Offer(item, found, order, _why(chips, part, seating, preparation), preparation)


_EFFORT = {
    Preparation.NONE: 0,
    Preparation.ERASE_BY_JOB: 1,
    Preparation.LOOK_FIRST: 2,
    Preparation.ERASE_BY_LIGHT: 3,
}


def _preparation(part: Part, state: ChipState) -> Preparation | None:
    overwritten = part.write is not None and part.write.semantics is Semantics.OVERWRITE
    if state is ChipState.BLANK or overwritten:
        return Preparation.NONE
    if part.erase.method is EraseMethod.ELECTRICAL:
        return Preparation.ERASE_BY_JOB
    if state is ChipState.UNKNOWN:
        return Preparation.LOOK_FIRST
    return Preparation.ERASE_BY_LIGHT if part.erase.method is EraseMethod.UV else None


def _why(chips: OnHand, part: Part, seating: Seating, preparation: Preparation) -> str:
    """Say why a chip was chosen."""
    position = seating.position
    speed = f"{position.access_ns:g} ns is what the board waits"
    if chips.access_ns is not None:
        speed = f"{chips.access_ns:g} ns is fast enough for {position.access_ns:g} ns"
    elif max(part.access_ns) <= position.access_ns:
        speed = f"every grade of it is fast enough for {position.access_ns:g} ns"
    state = {
        Preparation.NONE: "blank" if chips.state is ChipState.BLANK else "written over as it is",
        Preparation.ERASE_BY_JOB: "erased by its own job",
        Preparation.ERASE_BY_LIGHT: "to be erased with light first",
        Preparation.LOOK_FIRST: "blank or not: its job looks first",
    }[preparation]
    return f"On hand{f' ({chips.label})' if chips.label else ''}, {state}; {speed}."


def assign(offers: Mapping[int, Sequence[Offer]], counts: Sequence[int]) -> dict[int, Offer]:
    """Give each seat (a chip to be made, by number) one offer, serving as many seats as can be.

    `counts` are how many chips there are of each item. Seats are served in order, each with its best offer
    that is free; a seat that finds all taken has others move to what else suits them (augmenting paths, the
    textbook way to a largest matching).
    """
    holders: list[list[int]] = [[] for _ in counts]
    chosen: dict[int, Offer] = {}

    def seat_one(seat: int, tried: set[int]) -> bool:
        usable = [each for each in offers[seat] if each.rank is not None]
        for each in sorted(usable, key=lambda one: one.rank or ()):
            if each.item in tried:
                continue
            tried.add(each.item)
            if len(holders[each.item]) < counts[each.item]:
                holders[each.item].append(seat)
                chosen[seat] = each
                return True
            for holder in list(holders[each.item]):
                if seat_one(holder, tried):
                    holders[each.item].remove(holder)
                    holders[each.item].append(seat)
                    chosen[seat] = each
                    return True
        return False

    for seat in offers:
        seat_one(seat, set())
    return chosen
