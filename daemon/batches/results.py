"""What a batch came to: yield, times, rejects by cause, what remains; finished or not."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from daemon.batches.machine import counts
from daemon.batches.model import COUNTS_AS_MADE, FAILED, ChipResult, Plan, State, Verdict


@dataclass(frozen=True, slots=True)
class Remaining:
    """What is still to be made at one position: which sets."""

    position: str
    part_name: str
    sets: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class BatchResults:
    """The figures of a batch. Times in seconds; None where nothing was made that could tell.

    `yield_share` is the share of good chips among those that were programmed in this batch (good and failed;
    neither those that were programmed before nor those that were set aside). `work_s` is the median time of
    the programmer for a good chip, `chip_s` the median from one good chip to the next, hands included.
    `failed_by_cause` are stable codes with their counts.
    """

    made: int
    total: int
    sets_complete: int
    counts: dict[str, int]
    yield_share: float | None
    work_s: float | None
    chip_s: float | None
    elapsed_s: float
    failed_by_cause: dict[str, int]
    set_aside_by_cause: dict[str, int]
    remaining: tuple[Remaining, ...]
    remaining_s: float | None
    re_verified: int
    misseated: int
    taken_out: int


def results_of(plan: Plan, state: State) -> BatchResults:
    """Work out the figures."""
    chips = state.chips
    good = [chip for chip in chips if chip.verdict is Verdict.GOOD]
    failed = [chip for chip in chips if chip.verdict in FAILED]
    tried = len(good) + len(failed)
    chip_s = _pace_s(chips)
    to_do = len(plan.items) - len(state.made)
    return BatchResults(
        made=len(state.made),
        total=len(plan.items),
        sets_complete=_complete(plan, state),
        counts={str(verdict): count for verdict, count in counts(state).items()},
        yield_share=len(good) / tried if tried else None,
        work_s=round(median(chip.work_s for chip in good), 3) if good else None,
        chip_s=chip_s,
        elapsed_s=round(max((chip.ended_s for chip in chips), default=0.0) - _began_s(chips), 3),
        failed_by_cause=dict(Counter(chip.cause for chip in failed)),
        set_aside_by_cause=dict(Counter(chip.cause for chip in chips if chip.verdict is Verdict.SET_ASIDE)),
        remaining=_remaining(plan, state),
        remaining_s=round(to_do * chip_s, 1) if chip_s is not None else None,
        re_verified=sum(chip.re_verified for chip in chips),
        misseated=state.misseated,
        taken_out=sum(chip.taken_out for chip in chips),
    )


def _began_s(chips: Sequence[ChipResult]) -> float:
    return min((chip.began_s for chip in chips), default=0.0)


def _pace_s(chips: Sequence[ChipResult]) -> float | None:
    """Return the median time from the end of one good chip to the end of the next: breaks do not count."""
    ends_s = sorted(chip.ended_s for chip in chips if chip.verdict in COUNTS_AS_MADE)
    if not ends_s:
        return None
    if len(ends_s) == 1:
        # No hands were seen yet.
        return round(max(ends_s[0] - _began_s(chips), max(chip.work_s for chip in chips)), 3)
    return round(median(later - sooner for sooner, later in pairwise(ends_s)), 3)


def _complete(plan: Plan, state: State) -> int:
    missing = {item.set_number for item in plan.items if item.index not in state.made}
    return len({item.set_number for item in plan.items} - missing)


def _remaining(plan: Plan, state: State) -> tuple[Remaining, ...]:
    sets: dict[tuple[str, str], list[int]] = {}
    for item in plan.items:
        if item.index not in state.made:
            sets.setdefault((item.position, item.part_name), []).append(item.set_number)
    return tuple(Remaining(label, part, tuple(sorted(which))) for (label, part), which in sets.items())
