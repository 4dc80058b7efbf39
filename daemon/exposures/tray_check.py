"""All chips of a tray, checked one after another, with nobody pressing a key.

For each chip one erase-check job waits for it to be put in, looks, and its count goes to the exposure. So a
restart, a pause or a cancel needs no rule of its own: what was looked at is recorded, the rest is still to be
looked at. Sentinels come first; where one of them is not erased, the check stands still and says so.
"""

import threading
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Protocol

from daemon.erasure.verdict import EraseState
from daemon.errors import BenchError, Code
from daemon.exposures.chips import chips_of
from daemon.exposures.counting import index_of
from daemon.exposures.desk import ExposureDesk
from daemon.exposures.named import place_of
from daemon.exposures.request import CheckGoesOn, ChipsMoved, NewTrayCheck
from daemon.exposures.tray_check_rules import order_of, result_of, sentinels_say_no
from daemon.exposures.tray_check_view import TrayCheckView, check_view
from daemon.jobs.request import JobRequest
from daemon.store.exposure_model import (
    OPEN_CHECKS,
    CheckState,
    ExposureRecord,
    ExposureState,
    TrayCheckRecord,
)
from daemon.store.model import ENDED_STATES, JobKind, JobRecord
from daemon.store.store import Store

_STAYS_OUT = frozenset({EraseState.ERASED, EraseState.WILL_NOT_ERASE})


class JobDoor(Protocol):
    """Where jobs are handed in and given up."""

    def submit(self, request: JobRequest, *, lease_id: str | None = None) -> JobRecord:
        """Hand a job in."""

    def cancel(self, job_id: str) -> JobRecord:
        """Cancel a job."""


class TrayChecker:
    """Checks of trays on one bench. Thread-safe; told by `job_ended` of every job that names an exposure."""

    def __init__(self, store: Store, exposures: ExposureDesk, jobs: JobDoor) -> None:
        self._store = store
        self._exposures = exposures
        self._jobs = jobs
        self._lock = threading.RLock()
        #: Leases of those who began or continued a check; they do not outlive the daemon.
        self._leases: dict[str, str | None] = {}

    def start(self) -> None:
        """Take up what an earlier run left: a check whose job has ended stands still, with what that found.

        No job is handed in from here: the rooms of the bench are being made just now.
        """
        with self._lock:
            for check in self._store.tray_checks.all_open():
                job = self._store.jobs.get(check.job_id) if check.job_id else None
                if check.state is CheckState.CHECKING and (job is None or job.state in ENDED_STATES):
                    words = "the daemon was started anew"
                    self._take_end(replace(check, state=CheckState.PAUSED, words=words), job)

    # What a person asks for

    def begin(self, exposure_id: str, wish: NewTrayCheck, lease_id: str | None = None) -> TrayCheckView:
        """Begin to check a tray.

        Raises BenchError: `not-found`, `exposure-state`, and what the start of a job raises.
        """
        with self._lock:
            record = self._exposures.get(exposure_id).record
            places = order_of(record, wish.places)
            newest = self._store.tray_checks.newest(record.id)
            if newest is not None and newest.state in OPEN_CHECKS:
                raise BenchError(
                    Code.EXPOSURE_STATE,
                    f"the tray of exposure {record.number} is being checked already",
                    hint="Continue that check, or cancel it first.",
                )
            job = self._ask_for(record, places, {}, wish.programmer, lease_id, wish.adapter)
            check = self._store.tray_checks.create(record.id, job.programmer_id, places)
            self._leases[check.id] = lease_id
            self._store.tray_checks.save(replace(check, job_id=job.id))
            return self.get(record.id)

    def get(self, exposure_id: str) -> TrayCheckView:
        """Return the newest check of an exposure as it stands. Raises BenchError `not-found`."""
        view = self._exposures.get(exposure_id)
        check = self._store.tray_checks.newest(view.record.id)
        if check is None:
            raise BenchError(
                Code.NOT_FOUND,
                f"the tray of exposure {view.record.number} was not checked yet",
                hint="Begin a check.",
            )
        job = self._store.jobs.get(check.job_id) if check.job_id else None
        return check_view(check, view, job)

    def pause(self, exposure_id: str) -> TrayCheckView:
        """Let a check stand still; what was found stays. Raises BenchError `exposure-state`."""
        with self._lock:
            check = self._open(exposure_id, CheckState.CHECKING)
            self._stop(replace(check, state=CheckState.PAUSED, words="paused as asked"))
            return self.get(check.exposure_id)

    def cancel(self, exposure_id: str) -> TrayCheckView:
        """End a check before all chips were looked at; what was found stays. Raises as `pause`."""
        with self._lock:
            check = self._open(exposure_id, CheckState.CHECKING, CheckState.PAUSED)
            self._stop(replace(check, state=CheckState.CANCELLED, words="given up as asked"))
            return self.get(check.exposure_id)

    def proceed(self, exposure_id: str, said: CheckGoesOn, lease_id: str | None = None) -> TrayCheckView:
        """Go on with a check that stands still. Raises BenchError as `begin`."""
        with self._lock:
            check = self._open(exposure_id, CheckState.PAUSED)
            record = self._exposures.get(exposure_id).record
            for place in (*said.skip, *said.again):
                index_of(list(chips_of(record)), place)
            kept = {place: found for place, found in check.results.items() if int(place) not in said.again}
            places = tuple(place for place in check.places if place not in said.skip)
            places += tuple(place for place in said.again if place not in places)
            check = replace(check, places=places, results=kept, words="", state=CheckState.CHECKING)
            self._leases[check.id] = lease_id
            if all(str(place) in kept for place in places):
                self._finish(check)
            else:
                job = self._ask_for(
                    record, places, kept, check.programmer_id, lease_id, self._adapter_of(check)
                )
                self._store.tray_checks.save(replace(check, job_id=job.id))
            return self.get(record.id)

    # What a job brings

    def job_ended(self, job: JobRecord) -> None:
        """Take note of the end of a job, and ask for the next chip."""
        there = place_of(job)
        if there is None:
            return
        with self._lock:
            check = self._store.tray_checks.newest(there[0])
            if check is not None and check.job_id == job.id:
                self._take_end(check, job)

    def _take_end(self, check: TrayCheckRecord, job: JobRecord | None) -> None:
        place = place_of(job) if job else None
        found, trouble = result_of(job) if job else (None, "")
        if found is not None and place is not None:
            check = replace(check, results={**check.results, str(place[1]): found})
        if check.state is not CheckState.CHECKING:
            self._store.tray_checks.save(check)
            return
        record = self._exposures.get(check.exposure_id).record
        left = [each for each in check.places if str(each) not in check.results]
        if not trouble:
            trouble = sentinels_say_no(record, check, left)
        if trouble:
            self._store.tray_checks.save(replace(check, state=CheckState.PAUSED, words=trouble))
        elif not left:
            self._finish(check)
        else:
            self._next(record, check)

    def _next(self, record: ExposureRecord, check: TrayCheckRecord) -> None:
        lease_id = self._leases.get(check.id)
        try:
            job = self._ask_for(
                record,
                check.places,
                check.results,
                check.programmer_id,
                lease_id,
                self._adapter_of(check),
            )
        except BenchError as error:
            words = f"{error.message}. {error.hint}".strip()
            self._store.tray_checks.save(replace(check, state=CheckState.PAUSED, words=words))
        else:
            self._store.tray_checks.save(replace(check, job_id=job.id))

    def _adapter_of(self, check: TrayCheckRecord) -> str | None:
        """Return the adapter of the check's chips, which its jobs remember."""
        job = self._store.jobs.get(check.job_id) if check.job_id else None
        return job.params.get("adapter") if job else None

    def _ask_for(
        self,
        record: ExposureRecord,
        places: Sequence[int],
        results: Mapping[str, Any],
        programmer: str | None,
        lease_id: str | None,
        adapter: str | None,
    ) -> JobRecord:
        place = next(each for each in places if str(each) not in results)
        chip = chips_of(record)[place - 1]
        number = f", no. {self._store.lots.chip(chip.chip_id).number}" if chip.chip_id else ""
        words = f"the {chip.label} of place {place}{number} (chip {places.index(place) + 1} of {len(places)})"
        request = JobRequest.model_validate(
            {
                "kind": JobKind.ERASE_CHECK,
                "part": chip.part_id,
                "programmer": programmer,
                "adapter": adapter,
                "light": {"exposure": record.id, "place": place},
                # Whatever is in the socket now is not this one: a chip that was left in would count as it.
                "await_chip": {"occupied": True, "words": words},
            }
        )
        return self._jobs.submit(request, lease_id=lease_id)

    def _finish(self, check: TrayCheckRecord) -> None:
        """End a check: chips that are erased, or never will be, are out of the tray and stay out."""
        record = self._exposures.get(check.exposure_id).record
        chips = chips_of(record)
        out = tuple(
            place
            for place in check.places
            if chips[place - 1].in_from_s is not None
            and check.results.get(str(place), {}).get("state") in _STAYS_OUT
        )
        if out and record.state is ExposureState.DARK:
            self._exposures.take_out(record.id, ChipsMoved(places=out))
        self._store.tray_checks.save(replace(check, state=CheckState.DONE))

    def _stop(self, check: TrayCheckRecord) -> None:
        self._store.tray_checks.save(check)
        if check.job_id is not None and self._store.jobs.get(check.job_id).state not in ENDED_STATES:
            self._jobs.cancel(check.job_id)

    def _open(self, exposure_id: str, *states: CheckState) -> TrayCheckRecord:
        check = self.get(exposure_id).record
        if check.state not in states:
            raise BenchError(
                Code.EXPOSURE_STATE, f"the check of this tray is {check.state}", hint="Look at the check."
            )
        return check
