"""Where exposures are planned, timed, counted and ended.

No lamp is switched from here. Somebody switches it on and says so; time then counts by the machine's
monotonic clock until somebody says that it is off. What the daemon did not see (it was not running, the
machine slept) is asked for and never guessed.
"""

import threading
from collections.abc import Callable
from dataclasses import replace

from daemon.catalogue.loader import Catalogue
from daemon.clock import Clock
from daemon.erasure.loads import TrayPlan, Way, plan_tray
from daemon.errors import BenchError, Code
from daemon.exposures.chips import TrayChip, chips_of, plan_with
from daemon.exposures.counting import Count, counted_by, index_of, refuse_later_light, take_count
from daemon.exposures.lamps import KnownLamp, LampShelf
from daemon.exposures.layout import chips_for, uv_part, wanted_of
from daemon.exposures.light_clock import LightClock, wrong_state
from daemon.exposures.request import (
    ChipsMoved,
    LampOff,
    LampOn,
    NewExposure,
    NewReading,
    Prepared,
    TimeAnswer,
    TrayWish,
)
from daemon.exposures.view import ExposureView, view_of
from daemon.store.exposure_model import OPEN_STATES, ChipAt, ExposureRecord, ExposureState
from daemon.store.store import Store


class ExposureDesk:
    """Exposures of one bench. Thread-safe."""

    def __init__(
        self,
        store: Store,
        catalogue: Catalogue,
        lamps: LampShelf,
        clock: Clock,
        *,
        practice_lamps: bool = False,
    ) -> None:
        self._store = store
        self._catalogue = catalogue
        self._lamps = lamps
        self._clock = clock
        self._lock = threading.RLock()
        self._light = LightClock(store, clock, practice=practice_lamps)

    def start(self) -> list[ExposureRecord]:
        """Mark what an earlier run left lit as unsure; return those exposures."""
        with self._lock:
            return self._light.start()

    # Planning

    def plans(self, wish: TrayWish) -> tuple[KnownLamp, tuple[TrayPlan, ...]]:
        """Plan a tray in one load and in two, the shorter first; nothing is recorded.

        Raises BenchError: `not-found`, `part-unknown`, `part-cannot`, `erase-estimate-input`.
        """
        lamp = self._lamps.get(wish.lamp)
        wanted = [wanted_of(uv_part(self._catalogue, each.part), each.chips) for each in wish.chips]
        return lamp, plan_tray(lamp.lamp, lamp.spec.tray, wanted, strength=lamp.strength)

    def create(self, new: NewExposure) -> ExposureView:
        """Plan and record an exposure of one load. Raises BenchError as `plans` does."""
        lamp, plans = self.plans(TrayWish(lamp=new.lamp, chips=new.chips))
        plan = next((each for each in plans if each.way is Way.TAKE_OUT), None)
        if plan is None:
            raise BenchError(
                Code.ERASE_ESTIMATE_INPUT,
                "These chips do not fit on the tray together.",
                hint="Make an exposure of each load.",
                field="chips",
            )
        chips = chips_for(plan, new.chips, self._catalogue, self._store.lots)
        content = {
            "chips": [chip.to_json() for chip in chips],
            "total_s": plan.total_s.nominal,
            "prepared": new.prepared.model_dump(),
        }
        who = [ChipAt(index, chip.part_id, chip.lot_id, chip.chip_id) for index, chip in enumerate(chips)]
        return self._view(self._store.exposures.create(lamp.record.id, content, who))

    # Looking

    def get(self, exposure_id: str) -> ExposureView:
        """Return an exposure as it stands now, by id or number. Raises BenchError `not-found`."""
        return self._view(self._store.exposures.get(exposure_id))

    def all(self, *, open_only: bool = False, limit: int = 50) -> list[ExposureView]:
        """Return exposures, newest first."""
        states = OPEN_STATES if open_only else None
        return [self._view(record) for record in self._store.exposures.list(states=states, limit=limit)]

    def _view(self, record: ExposureRecord) -> ExposureView:
        lamp = self._lamps.get(record.lamp_id)
        missing = Prepared(**record.plan.get("prepared", {})).missing
        check = self._store.tray_checks.newest(record.id)
        return view_of(
            record,
            lamp,
            self._clock.utc_now(),
            self._light.running_s(record),
            missing,
            check.state if check else None,
        )

    # Light

    def lamp_on(self, exposure_id: str, said: LampOn) -> ExposureView:
        """Note that the lamp went on now. Raises BenchError: `exposure-state`, `not-prepared`."""
        with self._lock:
            return self._view(self._light.on(self._store.exposures.get(exposure_id), said))

    def lamp_off(self, exposure_id: str, said: LampOff) -> ExposureView:
        """Note that the lamp is off. Raises BenchError: `exposure-state`, `exposure-time-unknown`."""
        with self._lock:
            return self._view(self._light.off(self._store.exposures.get(exposure_id), said))

    def answer(self, exposure_id: str, said: TimeAnswer) -> ExposureView:
        """Say how long the lamp was on while nobody counted. Raises BenchError as `lamp_off` does."""
        with self._lock:
            return self._view(self._light.answer(self._store.exposures.get(exposure_id), said))

    # Chips

    def take_out(self, exposure_id: str, moved: ChipsMoved) -> ExposureView:
        """Note that chips are out of the box. Raises BenchError: `not-found`, `exposure-state`."""
        return self._move_chips(exposure_id, moved, TrayChip.out)

    def put_in(self, exposure_id: str, moved: ChipsMoved) -> ExposureView:
        """Note that chips are back at their places. Raises BenchError: `not-found`, `exposure-state`."""
        return self._move_chips(exposure_id, moved, TrayChip.put_in)

    def _move_chips(
        self, exposure_id: str, moved: ChipsMoved, how: Callable[[TrayChip, float], TrayChip]
    ) -> ExposureView:
        with self._lock:
            record = self._in_the_dark(exposure_id)
            chips, light_s = list(chips_of(record)), self._light.light_s(record)
            for place in moved.places:
                index = index_of(chips, place)
                chips[index] = how(chips[index], light_s)
            return self._view(self._store.exposures.replan(record.id, plan_with(record, chips)))

    def count(self, exposure_id: str, new: NewReading) -> ExposureView:
        """Record a count of one chip. Raises BenchError as `take_count` does."""
        with self._lock:
            record = self._store.exposures.get(exposure_id)
            index = index_of(list(chips_of(record)), new.place)
            if new.bits_left is not None:
                count = Count(new.bits_left, new.vcc_v, new.reads, bits_at_start=new.bits_at_start)
            else:
                assert new.job is not None
                count = counted_by(self._store.jobs.get(new.job), chips_of(record)[index])
                count = replace(count, bits_at_start=new.bits_at_start)
            light_s = self._light.light_s(record)
            return self._view(take_count(self._store, self._clock, record, index, count, light_s))

    def count_by_job(
        self, exposure_id: str, place: int, count: Count, light_then_s: float | None
    ) -> ExposureRecord:
        """Record what a job counted of the chip at `place`.

        `light_then_s` is the light that it had had when the job was asked for, None if nobody knows.
        Raises BenchError as `count` does, and `exposure-state` when more light has come since.
        """
        with self._lock:
            record = self._store.exposures.get(exposure_id)
            chips, light_s = list(chips_of(record)), self._light.light_s(record)
            index = index_of(chips, place)
            refuse_later_light(light_then_s, chips[index].light_s(light_s))
            return take_count(self._store, self._clock, record, index, count, light_s)

    # Ending

    def finish(self, exposure_id: str) -> ExposureView:
        """End an exposure: lots and chips have one erase cycle more. Raises BenchError `exposure-state`."""
        with self._lock:
            record = self._in_the_dark(exposure_id)
            chips = chips_of(record)
            outcome = {
                "light_s": self._light.light_s(record),
                "lit_s": sum(span.lit_s or 0.0 for span in record.spans),
                "chips": len(chips),
                "failed": [place for place, chip in enumerate(chips, 1) if chip.failed],
            }
            record = self._store.exposures.move(record.id, ExposureState.DONE, outcome=outcome)
            lots = tuple({chip.lot_id for chip in chips if chip.lot_id})
            self._store.lots.count(
                lots=lots, chips=tuple(chip.chip_id for chip in chips if chip.chip_id), cycles=1
            )
            for chip in chips:
                if chip.failed:
                    self._store.lots.count(
                        lots=(chip.lot_id,) if chip.lot_id else (),
                        chips=(chip.chip_id,) if chip.chip_id else (),
                        failures=1,
                    )
            return self._view(record)

    def abandon(self, exposure_id: str) -> ExposureView:
        """Give an exposure up; what is known of it stays. Raises BenchError `exposure-state`."""
        with self._lock:
            found = self._store.exposures.get(exposure_id)
            record = self._store.exposures.move(found.id, ExposureState.ABANDONED)
            self._light.forget(record)
            return self._view(record)

    def _in_the_dark(self, exposure_id: str) -> ExposureRecord:
        record = self._store.exposures.get(exposure_id)
        if record.state is not ExposureState.DARK:
            raise wrong_state(record, "Only while its lamp is off, after it was on.")
        return record
