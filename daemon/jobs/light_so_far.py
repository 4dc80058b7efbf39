"""What a job is told of the light that a chip has had before.

Jobs of all kinds are asked for in one form, so this is read at the start of the daemon: what reckons with
light is imported by the erase check that needs it.
"""

from typing import TYPE_CHECKING

from pydantic import BaseModel, ConfigDict, Field

if TYPE_CHECKING:
    from daemon.erasure.forecast import Forecast
    from daemon.erasure.inputs import Spread


class LightReading(BaseModel):
    """An earlier count of the chip in the socket."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    effective_s: float = Field(ge=0.1, le=1e7, allow_inf_nan=False, description="Light it had had, s.")
    bits_left: int = Field(ge=0, le=1 << 30, description="Bits that read programmed.")
    vcc_v: float = Field(ge=1, le=10, allow_inf_nan=False, description="At which supply, V.")
    reads: int = Field(1, ge=1, le=1000, description="Of how many reads it was the median.")


class LightSoFar(BaseModel):
    """What is known of the light that the chip in the socket has had. All seconds are at full output.

    Name an exposure and a place, and the rest is filled in from there.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    exposure: str | None = Field(None, max_length=100, description="An exposure of this bench.")
    place: int | None = Field(None, ge=1, le=500, description="The chip's place there, from 1.")
    bits_at_start: int | None = Field(
        None, ge=1, le=1 << 30, description="Bits that were programmed before any light."
    )
    effective_s: float | None = Field(
        None, ge=0, le=1e7, allow_inf_nan=False, description="Light so far, cold starts taken off, s."
    )
    sheet_s: float | None = Field(
        None, gt=0, le=1e7, allow_inf_nan=False, description="What the data sheet's dose takes there, s."
    )
    sheet_low_s: float | None = Field(None, gt=0, le=1e7, allow_inf_nan=False, description="At the best.")
    sheet_high_s: float | None = Field(None, gt=0, le=1e7, allow_inf_nan=False, description="At the worst.")
    readings: tuple[LightReading, ...] = Field((), max_length=100, description="Earlier counts, in order.")

    @property
    def sheet(self) -> "Spread | None":
        """The data sheet's seconds as a range."""
        from daemon.erasure.inputs import Spread

        if self.sheet_s is None:
            return None
        return Spread(self.sheet_low_s or self.sheet_s, self.sheet_s, self.sheet_high_s or self.sheet_s)

    def with_count(
        self, bits_left: int, vcc_v: float, reads: int, *, part_bits: int, lowest_v: float
    ) -> "Forecast | None":
        """Return the forecast with one more count, taken now; None when the light so far is not known.

        Raises BenchError `erase-series-impossible`.
        """
        from daemon.erasure.forecast import forecast
        from daemon.erasure.readings import Reading, series_of

        if not self.effective_s:
            return None
        now = Reading(self.effective_s, bits_left, vcc_v, reads)
        before = [Reading(r.effective_s, r.bits_left, r.vcc_v, r.reads) for r in self.readings]
        if self.bits_at_start is None:
            # Without the start a slope means nothing; that bits are left still does, and that counts rose.
            series_of(part_bits, [*before, now], part_bits=part_bits)
            before = []
        series = series_of(
            self.bits_at_start or part_bits, [*before, now], part_bits=part_bits, lowest_v=lowest_v
        )
        return forecast(series, self.sheet)
