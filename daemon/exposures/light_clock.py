"""The time for which a lamp is on: counted while the daemon is there, asked for when it was not."""

from dataclasses import replace

from daemon.clock import Clock
from daemon.erasure.ageing import WarmUp
from daemon.errors import BenchError, Code
from daemon.exposures.chips import known_light_s
from daemon.exposures.request import LampOff, LampOn, Prepared, TimeAnswer
from daemon.store.exposure_model import ExposureRecord, ExposureState, Span
from daemon.store.store import Store

STILL_WARM_S = 60.0
"""Off for less than this, a tube counts as warm (ours)."""
WARM_UP = WarmUp()
_SLIP_S, _SLIP_SHARE = 5.0, 0.01


class LightClock:
    """Counts light. Not locked: `ExposureDesk` does that.

    `practice`: lamps are simulated, so that any time is believed that one is said to have been lit.
    """

    def __init__(self, store: Store, clock: Clock, *, practice: bool = False) -> None:
        self._store = store
        self._clock = clock
        self._practice = practice
        self._since_s: dict[str, float] = {}
        """Monotonic time at which the present span of an exposure began, of those counted by this daemon."""

    def start(self) -> list[ExposureRecord]:
        """Mark what an earlier run left lit as unsure; return those exposures."""
        return [
            self._store.exposures.move(record.id, ExposureState.UNSURE)
            for record in self._store.exposures.list(states={ExposureState.LIT}, limit=1000)
            if record.id not in self._since_s
        ]

    def running_s(self, record: ExposureRecord) -> float | None:
        """Return how long the present span has been lit; None when the lamp is off or nobody counted."""
        since_s = self._since_s.get(record.id)
        if record.state is not ExposureState.LIT or since_s is None:
            return None
        return self._clock.monotonic_s() - since_s

    def light_s(self, record: ExposureRecord) -> float:
        """Return the seconds at full output of the spans whose length is known."""
        return known_light_s(record, WARM_UP)

    def on(self, record: ExposureRecord, said: LampOn) -> ExposureRecord:
        """Note that the lamp went on now. Raises BenchError: `exposure-state`, `not-prepared`."""
        plan = dict(record.plan)
        prepared = Prepared(**plan.get("prepared", {}))
        if said.prepared is not None:
            prepared = prepared.or_also(said.prepared)
            plan["prepared"] = prepared.model_dump()
        if prepared.missing:
            raise BenchError(
                Code.NOT_PREPARED,
                f"It was not said yet that {'; '.join(prepared.missing)}.",
                hint="See to it, then say so with the lamp. What light has erased cannot be had back.",
                field="prepared",
                details={"missing": list(prepared.missing)},
            )
        if record.state is ExposureState.UNSURE:
            raise wrong_state(record, "Say first how long the lamp was on.")
        cold = self._is_cold(record) if said.cold is None else said.cold
        span = Span(0, self._clock.utc_now(), None, None, cold, "counted")
        lit = self._store.exposures.move(record.id, ExposureState.LIT, begin=span, plan=plan)
        self._since_s[record.id] = self._clock.monotonic_s()
        return lit

    def _is_cold(self, record: ExposureRecord) -> bool:
        if not record.spans or record.spans[-1].ended_at is None:
            return True
        return (self._clock.utc_now() - record.spans[-1].ended_at).total_seconds() > STILL_WARM_S

    def off(self, record: ExposureRecord, said: LampOff) -> ExposureRecord:
        """Note that the lamp is off, now or (with `lit_s`) earlier.

        Raises BenchError: `exposure-state`; `exposure-time-unknown` when the clocks disagree, as after the
        machine slept, and it has to be said how long the lamp was lit.
        """
        if record.state is not ExposureState.LIT:
            raise wrong_state(record, "Its lamp is not on.")
        wall_s, counted_s = self._wall_s(record), self.running_s(record)
        if said.lit_s is not None:
            self._refuse_too_long(said.lit_s, max(wall_s, counted_s or 0.0))
            return self._end(record, said.lit_s, "stated")
        if counted_s is None or abs(wall_s - counted_s) > _SLIP_S + _SLIP_SHARE * counted_s:
            raise BenchError(
                Code.EXPOSURE_TIME_UNKNOWN,
                f"How long the lamp of exposure {record.number} was lit is not known: the machine's clocks"
                " disagree, as when it slept or its time was set.",
                hint=f"Say it with lit_s: at most {max(wall_s, counted_s or 0.0):.0f} s have gone by.",
                field="lit_s",
                details={"wall_s": wall_s, "counted_s": counted_s},
            )
        return self._end(record, counted_s, "counted")

    def answer(self, record: ExposureRecord, said: TimeAnswer) -> ExposureRecord:
        """Take in how long the lamp was on while nobody counted. Raises BenchError as `off` does."""
        if record.state is not ExposureState.UNSURE:
            raise wrong_state(record, "There is nothing to answer.")
        wall_s = self._wall_s(record)
        if said.lit_s is not None:
            self._refuse_too_long(said.lit_s, wall_s)
            return self._end(record, said.lit_s, "stated")
        lit = self._store.exposures.move(record.id, ExposureState.LIT)
        self._since_s[record.id] = self._clock.monotonic_s() - max(0.0, wall_s)
        return lit

    def forget(self, record: ExposureRecord) -> None:
        """Count it no longer."""
        self._since_s.pop(record.id, None)

    def _wall_s(self, record: ExposureRecord) -> float:
        return (self._clock.utc_now() - record.spans[-1].began_at).total_seconds()

    def _end(self, record: ExposureRecord, lit_s: float, origin: str) -> ExposureRecord:
        ended = replace(record.spans[-1], ended_at=self._clock.utc_now(), lit_s=lit_s, origin=origin)
        dark = self._store.exposures.move(record.id, ExposureState.DARK, end=ended)
        self.forget(record)
        lamp = self._store.lamps.get(record.lamp_id)
        if lamp.hours is not None:
            self._store.lamps.change(lamp.id, hours=lamp.hours + lit_s / 3600)
        return dark

    def _refuse_too_long(self, lit_s: float, most_s: float) -> None:
        if not self._practice and lit_s > most_s + _SLIP_S:
            raise BenchError(
                Code.ERASE_ESTIMATE_INPUT,
                f"The lamp cannot have been lit for {lit_s:.0f} s: only {most_s:.0f} s have gone by.",
                hint="Give the seconds for which it was on.",
                field="lit_s",
                details={"most_s": most_s},
            )


def wrong_state(record: ExposureRecord, hint: str) -> BenchError:
    """Return the error for something that an exposure's state does not allow."""
    return BenchError(Code.EXPOSURE_STATE, f"exposure {record.number} is {record.state}", hint=hint)
