"""An exposure as it stands now: the countdown, each chip's time, what to do next."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from math import ceil

from daemon.erasure.ageing import WarmUp
from daemon.erasure.forecast import Basis, Forecast, forecast
from daemon.erasure.readings import series_of
from daemon.erasure.safety import Caution
from daemon.errors import BenchError
from daemon.exposures.chips import TrayChip, chips_of, known_light_s, series_at
from daemon.exposures.lamps import KnownLamp
from daemon.store.exposure_model import CheckState, ExposureRecord, ExposureState


@dataclass(frozen=True, slots=True)
class ChipView:
    """One chip now: light so far and light to come, in seconds at full output and in seconds lit.

    `remaining_lit_s` is None when nothing says how long; `problem` why its readings cannot be used.
    """

    place: int
    chip: TrayChip
    light_s: float
    total_s: float | None
    remaining_lit_s: float | None
    outlook: Forecast | None
    rule: str
    problem: str


@dataclass(frozen=True, slots=True)
class TimeQuestion:
    """What has to be said before time goes on counting. The lamp was on from `began_at`, at most `most_s`."""

    words: str
    began_at: datetime
    most_s: float


@dataclass(frozen=True, slots=True)
class ExposureView:
    """An exposure now. `lit_s` counts the lamp's seconds that are known, `light_s` those at full output."""

    record: ExposureRecord
    lamp: KnownLamp
    now: datetime
    lit_s: float
    light_s: float
    chips: tuple[ChipView, ...]
    next_out_lit_s: float | None
    next_out: tuple[int, ...]
    end_lit_s: float | None
    question: TimeQuestion | None
    advice: str
    missing: tuple[str, ...]
    check_state: CheckState | None
    cautions: tuple[Caution, ...]


_WARM_UP = WarmUp()
_TOGETHER_S = 60.0


def view_of(
    record: ExposureRecord,
    lamp: KnownLamp,
    now: datetime,
    running_s: float | None,
    missing: Sequence[str],
    check_state: CheckState | None = None,
) -> ExposureView:
    """Look at an exposure.

    `running_s` is how long the present span has been lit, None when it is not; `check_state` where the newest
    check of the tray stands, None when there was none.
    """
    light_s = known_light_s(record, _WARM_UP)
    lit_s = sum(span.lit_s for span in record.spans if span.lit_s is not None)
    warm = False
    if running_s is not None:
        light_s += _WARM_UP.effective_s(running_s, cold=record.spans[-1].cold)
        lit_s, warm = lit_s + running_s, True
    chips = _chip_views(record, light_s, cold=not warm)
    inside = [each for each in chips if each.chip.in_from_s is not None]
    known = [each for each in inside if each.remaining_lit_s is not None]
    end_s = max((each.remaining_lit_s or 0.0 for each in known), default=None)
    due = _due_together(known)
    next_out = tuple(each.place for each in due)
    soonest = max((each.remaining_lit_s or 0.0 for each in due), default=None)
    return ExposureView(
        record=record,
        lamp=lamp,
        now=now,
        lit_s=lit_s,
        light_s=light_s,
        chips=chips,
        next_out_lit_s=soonest,
        next_out=next_out,
        end_lit_s=end_s if len(known) == len(inside) else None,
        question=_question(record, now),
        advice=_advice(record, chips, soonest, next_out, missing),
        missing=tuple(missing),
        check_state=check_state,
        cautions=lamp.cautions,
    )


def _due_together(known: Sequence[ChipView]) -> list[ChipView]:
    """Return the chips that come out next: those due first, and any due within a minute after them."""
    first_s = min((each.remaining_lit_s or 0.0 for each in known), default=0.0)
    return [each for each in known if (each.remaining_lit_s or 0.0) <= first_s + _TOGETHER_S]


def _chip_views(record: ExposureRecord, light_s: float, *, cold: bool) -> tuple[ChipView, ...]:
    chips = chips_of(record)
    own = [_own_outlook(record, place, chip, light_s, cold=cold) for place, chip in enumerate(chips)]
    return tuple(_chip_view(place, chip, own, chips, light_s, cold=cold) for place, chip in enumerate(chips))


def _own_outlook(
    record: ExposureRecord, place: int, chip: TrayChip, light_s: float, *, cold: bool
) -> tuple[Forecast | None, str]:
    try:
        series = series_at(record, place)
    except BenchError as error:
        return None, f"{error.message} {error.hint}"
    if series is None:
        series = series_of(chip.part_bits, [])
    return forecast(series, chip.sheet_s, cold=cold), ""


def _chip_view(
    place: int,
    chip: TrayChip,
    own: Sequence[tuple[Forecast | None, str]],
    chips: Sequence[TrayChip],
    light_s: float,
    *,
    cold: bool,
) -> ChipView:
    outlook, problem = own[place]
    total_s, rule = (outlook.total_effective_s, outlook.rule) if outlook else (None, "")
    if outlook is None or outlook.basis is not Basis.READINGS:
        total_s, rule = _by_sentinels(chip, own, chips, total_s or chip.sheet_nominal_s, rule)
    had_s = chip.light_s(light_s)
    rest_s = None if total_s is None else max(0.0, total_s - had_s)
    remaining = None if rest_s is None else _WARM_UP.lit_s(rest_s, cold=cold) if rest_s > 1e-9 else 0.0
    return ChipView(place + 1, chip, had_s, total_s, remaining, outlook, rule, problem)


def _by_sentinels(
    chip: TrayChip,
    own: Sequence[tuple[Forecast | None, str]],
    chips: Sequence[TrayChip],
    sheet_total_s: float,
    rule: str,
) -> tuple[float, str]:
    """Judge a chip that was not counted by those of its part that were, each scaled to the light here."""
    totals = [
        found.total_effective_s * other.new_mw_per_cm2 / chip.new_mw_per_cm2
        for (found, _), other in zip(own, chips, strict=True)
        if found is not None
        and found.basis in (Basis.READINGS, Basis.ONE_READING)
        and found.total_effective_s is not None
        and other.part_id == chip.part_id
    ]
    if not totals or max(totals) <= sheet_total_s:
        return sheet_total_s, rule
    return max(totals), "judged by the sentinels of its part, scaled to the light at its place"


def _question(record: ExposureRecord, now: datetime) -> TimeQuestion | None:
    if record.state is not ExposureState.UNSURE:
        return None
    began = record.spans[-1].began_at
    most_s = max(0.0, (now - began).total_seconds())
    words = (
        f"The lamp was switched on {began:%Y-%m-%d %H:%M:%S} UTC, and for a while nobody counted. How long"
        " was it"
        f" on: between 0 and {most_s / 60:.1f} min? Or is it still on, and was all the time?"
    )
    return TimeQuestion(words, began, most_s)


def _advice(
    record: ExposureRecord,
    chips: Sequence[ChipView],
    soonest_s: float | None,
    next_out: Sequence[int],
    missing: Sequence[str],
) -> str:
    state = record.state
    if state in (ExposureState.DONE, ExposureState.ABANDONED):
        return "Nothing more to do here."
    if state is ExposureState.UNSURE:
        return "Say how long the lamp was on: time does not count until then."
    if missing:
        return f"Before the lamp goes on, see to it that {'; '.join(missing)}, and say so."
    uncounted = [each.place for each in chips if each.chip.sentinel and each.chip.bits_at_start is None]
    if state is ExposureState.PLANNED and uncounted:
        return (
            f"Count the sentinels (places {_list(uncounted)}) before any light falls on them, by an erase"
            " check:"
            " what they hold now is what later counts are compared with. Then shut the box and switch the"
            " lamp on."
        )
    places = _list(next_out)
    if state is ExposureState.LIT:
        if not soonest_s:
            return f"Time is over for places {places}: switch the lamp off, then take them out and count."
        return f"In {ceil(soonest_s / 60)} min switch the lamp off; places {places} are due then."
    if not any(each.chip.in_from_s is not None for each in chips):
        return "All chips are out of the tray. Finish the exposure, or put some back in."
    if soonest_s == 0.0:
        return f"Check places {places} at the lowest supply, sentinels first; then all of the tray for blank."
    return "Count the sentinels now if you can, put them back, shut the box, and switch the lamp on."


def _list(places: Sequence[int]) -> str:
    return ", ".join(str(place) for place in places)
