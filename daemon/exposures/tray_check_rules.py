"""In which order a tray is checked, what a job says of a chip, and when the sentinels stop a check."""

from collections.abc import Sequence
from typing import Any

from daemon.erasure.verdict import EraseState
from daemon.errors import BenchError, Code
from daemon.exposures.chips import chips_of
from daemon.exposures.counting import index_of
from daemon.exposures.tray_check_view import COUNTED
from daemon.store.exposure_model import ExposureRecord, ExposureState, TrayCheckRecord
from daemon.store.model import JobRecord, JobState


def order_of(record: ExposureRecord, wanted: Sequence[int] | None) -> tuple[int, ...]:
    """Return the places to look at: sentinels first, then part by part, so that like follows like.

    Without a wish: before any light the sentinels, whose bits are to be counted then; later all chips that
    lie on the tray, and while the lamp is lit those that were taken out. Raises BenchError `exposure-state`
    where there is nothing to look at, `not-found` for places that are not on the tray.
    """
    chips = list(chips_of(record))
    state, places = record.state, range(1, len(chips) + 1)
    if state not in (ExposureState.PLANNED, ExposureState.DARK, ExposureState.LIT):
        raise BenchError(
            Code.EXPOSURE_STATE,
            f"exposure {record.number} is {state}",
            hint="Say first how long the lamp was on." if state is ExposureState.UNSURE else "",
        )
    if wanted is not None:
        for place in wanted:
            index_of(chips, place)
        chosen = list(dict.fromkeys(wanted))
    elif state is ExposureState.PLANNED:
        chosen = [place for place in places if chips[place - 1].sentinel]
    else:
        inside = state is ExposureState.DARK
        chosen = [
            place
            for place in places
            if (chips[place - 1].in_from_s is not None) is inside and not chips[place - 1].failed
        ]
    if not chosen:
        raise BenchError(
            Code.EXPOSURE_STATE,
            f"no chip of exposure {record.number} is to be checked now",
            hint="Switch the lamp off and say so, or name the places.",
        )
    chosen.sort(key=lambda place: (not chips[place - 1].sentinel, chips[place - 1].part_id, place))
    return tuple(chosen)


def result_of(job: JobRecord) -> tuple[dict[str, Any] | None, str]:
    """Return what a check found of its chip, and what stands in the way of going on, in words."""
    outcome = job.outcome or {}
    numbers = outcome.get("numbers") or {}
    summary = str(outcome.get("summary", job.state))
    if "erase_state" in numbers and job.state in (JobState.SUCCEEDED, JobState.FAILED):
        if not numbers.get("count_kept", False):
            return None, str(numbers.get("count_problem", summary))
        before = not (job.params.get("light") or {}).get("effective_s")
        found = {
            "state": COUNTED if before else numbers["erase_state"],
            "bits": numbers["bits"],
            "vcc_v": numbers["vcc_v"],
            "more_lit_s": None if before else numbers.get("more_lit_s"),
            # Without the part's name before it: which chip it is, is told beside it.
            "words": f"{numbers['bits']:,} bits to erase"
            if before
            else summary.partition(": ")[2] or summary,
            "job_id": job.id,
        }
        return found, ""
    hint = str(outcome.get("hint", ""))
    return None, f"{summary}. {hint}" if job.state is JobState.FAILED else summary


def sentinels_say_no(record: ExposureRecord, check: TrayCheckRecord, left: Sequence[int]) -> str:
    """Return in words that sentinels are not erased, once, before the others are looked at."""
    chips = chips_of(record)
    sentinels = [place for place in check.places if chips[place - 1].sentinel]
    if record.state is ExposureState.PLANNED or len(check.results) != len(sentinels):
        return ""
    if not left or any(str(place) not in check.results for place in sentinels):
        return ""
    bad = [place for place in sentinels if check.results[str(place)]["state"] != EraseState.ERASED]
    if not bad:
        return ""
    listed = ", ".join(map(str, bad))
    return (
        f"the sentinel{'s' if len(bad) > 1 else ''} at place{'s' if len(bad) > 1 else ''} {listed} say that"
        " the tray is not done: put all back, or continue to look at the others all the same"
    )
