"""Everything about erasing behind one door: estimates, lamps, exposures, lots and chips."""

from daemon.catalogue.loader import Catalogue
from daemon.clock import Clock
from daemon.erasure.electrical import ElectricalEstimate, estimate_electrical
from daemon.erasure.estimate import EraseEstimate
from daemon.erasure.forecast import Forecast, effective_of, forecast
from daemon.erasure.light import TrayPlace
from daemon.erasure.readings import Reading, series_of
from daemon.erasure.requests import EraseRequest, ReadingsRequest, estimate_for
from daemon.erasure.tube import TUBES
from daemon.errors import BenchError, Code
from daemon.exposures.desk import ExposureDesk
from daemon.exposures.history import History, history_of
from daemon.exposures.lamps import LampShelf
from daemon.exposures.named import fill_in, keep_count
from daemon.exposures.request import NewChip, NewLot
from daemon.exposures.tray_check import JobDoor, TrayChecker
from daemon.jobs.request import JobRequest
from daemon.store.exposure_model import ChipRecord, LotRecord
from daemon.store.model import JobChange, JobRecord
from daemon.store.store import Store


class ErasingRoom:
    """Erasing on one bench. Thread-safe."""

    def __init__(
        self, store: Store, catalogue: Catalogue, clock: Clock, jobs: JobDoor, *, practice_lamps: bool = False
    ) -> None:
        self._store = store
        self._catalogue = catalogue
        self.lamps = LampShelf(store, catalogue, clock)
        self.exposures = ExposureDesk(store, catalogue, self.lamps, clock, practice_lamps=practice_lamps)
        self.checks = TrayChecker(store, self.exposures, jobs)

    # Estimates

    def estimate(self, request: EraseRequest) -> EraseEstimate:
        """Estimate from the data sheet. Raises BenchError: `part-cannot`, `erase-estimate-input`."""
        return estimate_for(self._catalogue.get(request.part), request, self._place(request))

    def outlook(self, request: ReadingsRequest) -> Forecast:
        """Estimate from counts. Raises BenchError as `estimate` does, and `erase-series-impossible`."""
        part = self._catalogue.get(request.part)
        readings = [Reading(r.effective_s, r.bits_left, r.vcc_v, r.reads) for r in request.readings]
        lowest_v = min(part.supplies.vcc_read_v, *part.supplies.supply_checks_v)
        series = series_of(
            request.bits_at_start,
            readings,
            part_bits=part.words * part.width_bits,
            lowest_v=lowest_v,
        )
        sheet = None
        if request.lies is not None:
            sheet = effective_of(self.estimate(request.lies.model_copy(update={"part": request.part})))
        return forecast(series, sheet, cold=request.cold)

    def electrical(self, part: str) -> ElectricalEstimate:
        """Estimate an electrical erase. Raises BenchError: `part-cannot`, `erase-estimate-input`."""
        return estimate_electrical(self._catalogue.get(part))

    def _place(self, request: EraseRequest) -> TrayPlace | None:
        """Return the place under a lamp of this bench, None when the request names none."""
        if request.lamp is None or request.lamp in TUBES or request.irradiance_mw_per_cm2 is not None:
            return None
        try:
            known = self.lamps.get(request.lamp)
        except BenchError as error:
            raise BenchError(
                Code.ERASE_ESTIMATE_INPUT,
                f"there is no lamp '{request.lamp}'",
                hint=f"Choose {', '.join(TUBES)} or a lamp of this bench, or describe your own tube.",
                field="lamp",
            ) from error
        return TrayPlace(known.lamp, request.along_mm, request.across_mm, known.strength)

    # Jobs on chips of exposures

    def named(self, request: JobRequest) -> JobRequest:
        """Return a request with all filled in that is known of its chip. Raises BenchError as `fill_in`."""
        return fill_in(request, self.exposures, self._store.lots, self._catalogue)

    def keep_count(self, job: JobRecord, end: JobChange) -> JobChange:
        """Write what a job counted into the exposure that it names; return its end, saying so."""
        return keep_count(job, end, self.exposures)

    # Lots and chips

    def add_lot(self, new: NewLot) -> LotRecord:
        """Record a lot. Raises BenchError: `part-unknown`, `name-taken`, `name-invalid`."""
        return self._store.lots.add_lot(new.name, self._catalogue.get(new.part).id, new.chips, new.note)

    def add_chip(self, new: NewChip) -> ChipRecord:
        """Record a chip by its number. Raises BenchError as `add_lot` does, and `not-found` for its lot."""
        return self._store.lots.add_chip(new.number, self._catalogue.get(new.part).id, new.lot)

    def lots(self) -> tuple[LotRecord, ...]:
        """Return every lot, by name."""
        return self._store.lots.lots()

    def chips(self) -> tuple[ChipRecord, ...]:
        """Return every chip that has a number, by number."""
        return self._store.lots.chips()

    def lot_history(self, name: str) -> History:
        """Return what became of a lot. Raises BenchError `not-found`."""
        return history_of(self._store.lots.lot(name), self._store, self.exposures)

    def chip_history(self, number: str) -> History:
        """Return what became of a chip with a number. Raises BenchError `not-found`."""
        return history_of(self._store.lots.chip(number), self._store, self.exposures)
