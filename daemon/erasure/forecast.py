"""How much longer: the data sheet's rule and what the chip's own readings say, brought together.

Final rule: the longer of the data sheet's dose over the irradiance, and three times the upper 95 % bound of
the time that the readings give; of one reading, three times what it gives at the usual spread. Three, because
a chip whose last bit has just flipped at this supply is not fully erased: with the usual decay of charge,
going from there to a tenth of the remaining charge takes 3 to 4 times the dose; and because the tail of the
distribution is not known. It serves margin or tail, not both in full.
"""

from dataclasses import dataclass
from enum import StrEnum

from daemon.erasure.ageing import WarmUp
from daemon.erasure.estimate import EraseEstimate
from daemon.erasure.inputs import Spread
from daemon.erasure.probit import Line, fit_line
from daemon.erasure.readings import Series

SAFETY_FACTOR = 3.0
"""Of our own measurements on virtual chips (`bench/bench_erase.py`): 1.5 covers all laws but the heaviest
tail, 3 covers that too with two readings or more; with one reading 3 covers all but the heaviest tail. The
data sheet's dose alone does not: the irradiance is believed and not known, and where the belief is a quarter
too high, a chip of wide spread (log-normal, 0.2) keeps bits."""
ASSUMPTION = (
    "The interval holds if ln(exposure) is normally distributed over the bits; nobody has published how it is"
    " distributed under UV."
)
_WEAK = 2.0
_AGAIN = 1.25
_AIM_SHARES = (0.01, 50)
_HOLD = 1e-9


class Basis(StrEnum):
    """What the exposure is based on."""

    NOTHING = "nothing"
    DATA_SHEET = "data-sheet"
    """No reading that tells anything."""
    ONE_READING = "one-reading"
    """The data sheet, made longer by one reading. It cannot tell spread from strength: no number is shown."""
    READINGS = "readings"


@dataclass(frozen=True, slots=True)
class Forecast:
    """What is still to come. Times ending in `effective_s` are seconds of full output, others lit seconds.

    `clear_effective_s` is the fitted total until a hundredth of a bit is left, with its 95 % interval, None
    without two readings; `total_effective_s` is the whole exposure by the final rule, None when nothing is
    known; `next_reading_effective_s` is when a further count would tell most.
    """

    basis: Basis
    series: Series
    sheet_effective_s: Spread | None
    line: Line | None
    clear_effective_s: Spread | None
    total_effective_s: float | None
    remaining_lit_s: float | None
    next_reading_effective_s: float | None
    rule: str
    assumption: str
    notes: tuple[str, ...]


def forecast(
    series: Series,
    sheet: EraseEstimate | Spread | None = None,
    *,
    warm_up: WarmUp | None = None,
    cold: bool = True,
) -> Forecast:
    """Say how long this chip is still to be exposed.

    `sheet` is the estimate from the data sheet at the chip's place, or its seconds at full output; `cold`
    says that the lamp will start cold when it goes on.
    """
    warm_up = warm_up or WarmUp()
    sheet_s = effective_of(sheet) if isinstance(sheet, EraseEstimate) else sheet
    line = fit_line(series.points) if len(series.points) > 1 else None
    clear = Spread(line.interval_s()[0], line.time_s(), line.interval_s()[1]) if line else None
    total, basis, rule = _rule(series, sheet_s, clear)
    remaining = None
    if total is not None:
        rest = max(0.0, total - series.effective_s)
        remaining = warm_up.lit_s(rest, cold=cold) if rest > _HOLD else 0.0
    return Forecast(
        basis=basis,
        series=series,
        sheet_effective_s=sheet_s,
        line=line,
        clear_effective_s=clear,
        total_effective_s=total,
        remaining_lit_s=remaining,
        next_reading_effective_s=_next_reading(series, line),
        rule=rule,
        assumption=ASSUMPTION if line else "",
        notes=(*series.notes, *_weakness(series, sheet_s, clear)),
    )


def effective_of(sheet: EraseEstimate) -> Spread:
    """Return the data sheet's exposure at full output: dose over irradiance, without the warm-up."""
    dose, light = sheet.dose_j_per_cm2 * 1000, sheet.irradiance_mw_per_cm2
    return Spread(dose / light.high, dose / light.nominal, dose / light.low)


def _rule(series: Series, sheet_s: Spread | None, clear: Spread | None) -> tuple[float | None, Basis, str]:
    if clear is not None:
        fitted = SAFETY_FACTOR * clear.high
        if sheet_s is None:
            return fitted, Basis.READINGS, f"{SAFETY_FACTOR:g} times the upper bound from the readings"
        total = max(sheet_s.nominal, fitted)
        which = "the readings" if fitted >= sheet_s.nominal else "the data sheet"
        words = (
            f"the longer of the data sheet's {sheet_s.nominal / 60:.1f} min and {SAFETY_FACTOR:g} times the"
            " upper"
            f" bound of {clear.high / 60:.1f} min from the readings: that of {which}"
        )
        return total, Basis.READINGS, words
    return _rule_of_few(series, sheet_s)


def _rule_of_few(series: Series, sheet_s: Spread | None) -> tuple[float | None, Basis, str]:
    """Return the rule with one telling reading at most."""
    few = "one reading cannot tell a slow chip from a wide spread" if series.points else "no reading yet"
    if sheet_s is None:
        return None, Basis.NOTHING, f"{few}, and neither dose nor light is known: count again later"
    # That it was blank says nothing of how long before the last bit went.
    if series.points and series.points[0].left:
        usual_s = fit_line(series.points).time_s()
        total = max(sheet_s.nominal, SAFETY_FACTOR * usual_s)
        which = "the reading" if SAFETY_FACTOR * usual_s >= sheet_s.nominal else "the data sheet"
        words = (
            f"the longer of the data sheet's {sheet_s.nominal / 60:.1f} min and {SAFETY_FACTOR:g} times the"
            f" {usual_s / 60:.1f} min that one reading gives at the usual spread: that of {which}. One"
            " reading cannot tell a slow chip from a wide spread: count again"
        )
        return total, Basis.ONE_READING, words
    words = f"the data sheet's dose, because {few}"
    left = series.last.bits_left if series.last else 0
    if left and series.effective_s >= sheet_s.nominal / _AGAIN:
        words += f"; {left:,} bits outlasted it, so a quarter more, then count again"
        return max(sheet_s.nominal, _AGAIN * series.effective_s), Basis.DATA_SHEET, words
    return sheet_s.nominal, Basis.DATA_SHEET, words


def _next_reading(series: Series, line: Line | None) -> float | None:
    """Return when the next count tells most: 1 % left, then 50 bits left; later ones add little."""
    last = series.last
    if last is None or last.bits_left == 0 or not series.points:
        return None
    left = _AIM_SHARES[0] * series.bits if line is None else float(_AIM_SHARES[1])
    at = (line or fit_line(series.points)).time_s(min(left, series.bits / 2))
    return max(at, 1.05 * series.effective_s)


def _weakness(series: Series, sheet_s: Spread | None, clear: Spread | None) -> list[str]:
    """Say when the chip needs far more than the data sheet: weak lamp, dirty window or worn chip."""
    if sheet_s is None or clear is None or clear.nominal <= sheet_s.nominal:
        return []
    much = "far more" if clear.nominal > _WEAK * sheet_s.nominal else "more"
    return [
        f"The readings ask for {clear.nominal / 60:.1f} min where the data sheet's dose takes"
        f" {sheet_s.nominal / 60:.1f} min, {much} than there should be: a weak lamp, a dirty window or glue"
        " on"
        " it, or a worn chip. Clean the window; if another chip needs as long, it is the lamp."
    ]
