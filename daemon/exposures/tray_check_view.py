"""The check of a tray as it stands: what was found of each chip, what goes back under the lamp, how long."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

from daemon.erasure.safety import Caution
from daemon.erasure.verdict import EraseState
from daemon.exposures.view import ChipView, ExposureView
from daemon.store.exposure_model import CheckState, TrayCheckRecord
from daemon.store.model import JobRecord

COUNTED = "counted"
"""What a count before any light comes to."""
_GOES_BACK = (EraseState.MARGINAL, EraseState.NOT_ERASED)


@dataclass(frozen=True, slots=True)
class CheckedChip:
    """What was found of one chip; `state` is empty until it was looked at."""

    place: int
    label: str
    state: str
    bits: int | None
    vcc_v: float | None
    words: str
    job_id: str | None


@dataclass(frozen=True, slots=True)
class GoesBack:
    """A chip that goes back under the lamp, for so many seconds lit; None where nothing says how long."""

    place: int
    lit_s: float | None


@dataclass(frozen=True, slots=True)
class TrayCheckView:
    """A check now. `prompt` is what is to be done at the socket; the lists name places."""

    record: TrayCheckRecord
    exposure_number: int
    chips: tuple[CheckedChip, ...]
    prompt: str
    erased: tuple[int, ...]
    marginal: tuple[int, ...]
    not_erased: tuple[int, ...]
    will_not_erase: tuple[int, ...]
    back: tuple[GoesBack, ...]
    advice: str
    cautions: tuple[Caution, ...]

    @property
    def checked(self) -> int:
        """How many were looked at."""
        return sum(1 for chip in self.chips if chip.state)


def check_view(check: TrayCheckRecord, exposure: ExposureView, job: JobRecord | None) -> TrayCheckView:
    """Look at a check. `job` is the one of the chip whose turn it is."""
    chips = tuple(_chip(check, exposure, place) for place in check.places)
    by_state = {state: tuple(chip.place for chip in chips if chip.state == state) for state in EraseState}
    back = tuple(
        GoesBack(place, _lit_s(exposure.chips[place - 1], check))
        for state in _GOES_BACK
        for place in by_state[state]
    )
    view = TrayCheckView(
        record=check,
        exposure_number=exposure.record.number,
        chips=chips,
        prompt=_prompt(check, job),
        erased=by_state[EraseState.ERASED],
        marginal=by_state[EraseState.MARGINAL],
        not_erased=by_state[EraseState.NOT_ERASED],
        will_not_erase=by_state[EraseState.WILL_NOT_ERASE],
        back=tuple(sorted(back, key=lambda each: each.place)),
        advice="",
        # Who is told to light the lamp again is told of its dangers.
        cautions=exposure.cautions if back else (),
    )
    return _with_advice(view)


def _chip(check: TrayCheckRecord, exposure: ExposureView, place: int) -> CheckedChip:
    found = check.results.get(str(place), {})
    return CheckedChip(
        place=place,
        label=exposure.chips[place - 1].chip.label,
        state=found.get("state", ""),
        bits=found.get("bits"),
        vcc_v=found.get("vcc_v"),
        words=found.get("words", ""),
        job_id=found.get("job_id"),
    )


def _lit_s(chip: ChipView, check: TrayCheckRecord) -> float | None:
    """Return how long a chip goes back: what its own check said, or what the whole tray says, if longer."""
    own = check.results[str(chip.place)].get("more_lit_s")
    known = [each for each in (own, chip.remaining_lit_s) if each]
    return max(known, default=None)


def _prompt(check: TrayCheckRecord, job: JobRecord | None) -> str:
    """Return what the job that waits asks for, or that it looks."""
    if check.state is not CheckState.CHECKING or job is None:
        return ""
    for step in job.steps:
        question = (step.result or {}).get("question") if step.name == "next-chip" else None
        if question:
            return str(question["words"])
    return (
        "Leave the chip in: it is being looked at."
        if job.started_at
        else "It begins when the programmer is free."
    )


def _with_advice(view: TrayCheckView) -> TrayCheckView:
    state = view.record.state
    if state is CheckState.CHECKING:
        advice = view.prompt
    elif state is CheckState.PAUSED:
        advice = f"The check stands still: {view.record.words}."
    else:
        advice = " ".join([*_said(view), *_back(view)]) or "Nothing was looked at."
    return TrayCheckView(**{name: getattr(view, name) for name in view.__slots__} | {"advice": advice})


def _said(view: TrayCheckView) -> list[str]:
    words = []
    for title, places in (
        ("Erased with margin", view.erased),
        ("Marginal", view.marginal),
        ("Not erased", view.not_erased),
        ("Will not erase", view.will_not_erase),
        ("Counted before any light", tuple(chip.place for chip in view.chips if chip.state == COUNTED)),
        ("Not looked at", tuple(chip.place for chip in view.chips if not chip.state)),
    ):
        if places:
            words.append(f"{title}: place{'s' if len(places) > 1 else ''} {_list(places)}.")
    return words


def _back(view: TrayCheckView) -> list[str]:
    if not view.back:
        return []
    known = [each.lit_s for each in view.back if each.lit_s]
    places, one = _list([each.place for each in view.back]), len(view.back) == 1
    how = f"for {ceil(max(known) / 60)} min" if known else "for a quarter more of their time, and count again"
    words = f"place {places} and put it" if one else f"places {places} and put them"
    rest = "; the others stay out" if view.erased or view.will_not_erase else ""
    return [f"Clean the window{'' if one else 's'} of {words} back under the lamp {how}{rest}."]


def _list(places: Sequence[int]) -> str:
    return ", ".join(map(str, places))
