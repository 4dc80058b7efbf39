"""What counts at two supplies say about a chip that was under the lamp."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import ceil

from daemon.erasure.forecast import Forecast

_HOPELESS = 3.0


class EraseState(StrEnum):
    """How well a chip is erased."""

    ERASED = "erased"
    """Blank at the lowest supply, and exposed as long as the final rule asks."""
    MARGINAL = "marginal"
    """Blank at the nominal supply, but bits show lower, or it was exposed too briefly, or not looked at."""
    NOT_ERASED = "not-erased"
    WILL_NOT_ERASE = "will-not-erase"
    """Bits stay whatever the light: stuck, or the chip is worn."""


@dataclass(frozen=True, slots=True)
class Counts:
    """Bits that read programmed, of several reads at one supply."""

    vcc_v: float
    counts: tuple[int, ...]

    @property
    def median(self) -> int:
        """The middle one (the higher of two)."""
        return sorted(self.counts)[len(self.counts) // 2]

    @property
    def flickers(self) -> bool:
        """Whether reads differ: some bits are right at the trip point."""
        return len(set(self.counts)) > 1


@dataclass(frozen=True, slots=True)
class EraseVerdict:
    """The statement: `words` for people, `more_lit_s` how much longer (None: not known, or no use)."""

    state: EraseState
    words: str
    bits_left: int
    more_lit_s: float | None
    evidence: tuple[str, ...] = ()


def judge(nominal: Counts, low: Counts | None, outlook: Forecast | None) -> EraseVerdict:
    """State how well a chip is erased.

    `nominal` and `low` are counts at the nominal and at the lowest supply (None: the programmer cannot read
    there); `outlook` is the forecast with the newest count in it, None when the exposure is not known.
    """
    evidence = _evidence(nominal, low, outlook)
    worst = max(nominal.median, low.median if low else 0)
    more_s = outlook.remaining_lit_s if outlook else None
    if worst and (hopeless := _hopeless(outlook)):
        words = f"{_bits(worst)} will not erase: {hopeless}"
        return EraseVerdict(EraseState.WILL_NOT_ERASE, words, worst, None, evidence)
    if nominal.median:
        words = f"not erased: {_bits(nominal.median)} left at {nominal.vcc_v:.2f} V{_more(more_s)}"
        return EraseVerdict(EraseState.NOT_ERASED, words, worst, more_s, evidence)
    if low is None:
        words = f"blank at {nominal.vcc_v:.2f} V, but this programmer cannot look lower{_more(more_s)}"
        return EraseVerdict(EraseState.MARGINAL, words, 0, more_s, evidence)
    if low.median or low.flickers or nominal.flickers:
        left = _bits(low.median) if low.median else "some bits that flicker"
        words = (
            f"blank at {nominal.vcc_v:.2f} V but marginal: {left} left at {low.vcc_v:.2f} V{_more(more_s)}"
        )
        return EraseVerdict(EraseState.MARGINAL, words, worst, more_s, evidence)
    if more_s:
        words = f"blank at {low.vcc_v:.2f} V too, but exposed less than the rule asks{_more(more_s)}"
        return EraseVerdict(EraseState.MARGINAL, words, 0, more_s, evidence)
    known = (
        "with margin" if more_s is not None else "by the supply alone: how long it was exposed is not known"
    )
    words = f"erased: blank at {nominal.vcc_v:.2f} V and at {low.vcc_v:.2f} V, {known}"
    return EraseVerdict(EraseState.ERASED, words, 0, more_s, evidence)


def _hopeless(outlook: Forecast | None) -> str:
    if outlook is None:
        return ""
    series = outlook.series
    if series.stuck_bits:
        before, last = series.readings[-2], series.readings[-1]
        return (
            f"{before.bits_left:,} at {before.effective_s / 60:.1f} min of light and still"
            f" {last.bits_left:,} at"
            f" {last.effective_s / 60:.1f} min, where any erasing law lets most of them go. They are stuck"
        )
    sheet = outlook.sheet_effective_s
    if sheet is not None and series.effective_s > _HOPELESS * sheet.high and len(series.points) < 2:
        return (
            f"{series.effective_s / 60:.0f} min of light are {series.effective_s / sheet.high:.1f} times"
            " what the"
            " data sheet asks at the worst. The chip is worn, its window holds back UV, or the lamp gives"
            " none"
        )
    return ""


def _evidence(nominal: Counts, low: Counts | None, outlook: Forecast | None) -> tuple[str, ...]:
    found = [
        f"counts at {each.vcc_v:.2f} V: {_list(each.counts)}" for each in (nominal, low) if each is not None
    ]
    if outlook is not None:
        found += [outlook.rule, *([outlook.assumption] if outlook.assumption else []), *outlook.notes]
    return tuple(found)


def _list(counts: Sequence[int]) -> str:
    return ", ".join(f"{count:,}" for count in counts)


def _bits(count: int) -> str:
    return f"{count:,} bit{'s' if count != 1 else ''}"


def _more(more_s: float | None) -> str:
    if more_s is None:
        return ""
    if more_s <= 0:
        return "; the exposure that the rule asks is over: count again"
    return f"; expose it {ceil(more_s / 60)} more minutes"
