"""Erase-time estimates."""

from pydantic import Field

from api.schemas.common import Shown
from daemon.erasure import Caution, EraseEstimate, EstimateInput, Spread


class SpreadView(Shown):
    """A quantity with its lowest, most likely and highest value."""

    low: float = Field(description="At the best, or the worst, of every unknown.")
    nominal: float = Field(description="Most likely.")
    high: float = Field(description="At the other end.")

    @classmethod
    def of(cls, spread: Spread) -> "SpreadView":
        """Show a spread."""
        return cls(low=spread.low, nominal=spread.nominal, high=spread.high)


class EstimateInputView(Shown):
    """One number that went into an estimate."""

    name: str = Field(description="What it is.")
    value: SpreadView = Field(description="Its value.")
    unit: str = Field(description="Its unit; empty for a plain factor.")
    origin: str = Field(description="Where it is from, in words.")
    confidence: str = Field(description="`stated`, `published`, `recalled` or `assumed`.")

    @classmethod
    def of(cls, each: EstimateInput) -> "EstimateInputView":
        """Show an input."""
        return cls(
            name=each.name,
            value=SpreadView.of(each.value),
            unit=each.unit,
            origin=each.origin,
            confidence=each.confidence,
        )


class CautionView(Shown):
    """Something to know before acting."""

    code: str = Field(description="Stable name of the caution.")
    text: str = Field(description="The caution.")
    source: str = Field(description="Where it is from; empty if nowhere in particular.")

    @classmethod
    def of(cls, caution: Caution) -> "CautionView":
        """Show a caution."""
        return cls(code=caution.code, text=caution.text, source=caution.source)


class EraseEstimateView(Shown):
    """How long to expose a chip to UV light, and what that rests on."""

    time_s: SpreadView = Field(description="Exposure, seconds.")
    dose_j_per_cm2: float = Field(description="The dose the part needs, J/cm².")
    place_irradiance_mw_per_cm2: float = Field(
        description="What a new, warm, clean lamp gives at the window, or what was stated, mW/cm²."
    )
    irradiance_mw_per_cm2: SpreadView = Field(description="What is left after all losses, mW/cm².")
    inputs: list[EstimateInputView] = Field(description="The numbers it was made from.")
    cautions: list[CautionView] = Field(description="What to know before the lamp is lit.")

    @classmethod
    def of(cls, estimate: EraseEstimate) -> "EraseEstimateView":
        """Show an estimate."""
        return cls(
            time_s=SpreadView.of(estimate.time_s),
            dose_j_per_cm2=estimate.dose_j_per_cm2,
            place_irradiance_mw_per_cm2=estimate.place_irradiance_mw_per_cm2,
            irradiance_mw_per_cm2=SpreadView.of(estimate.irradiance_mw_per_cm2),
            inputs=[EstimateInputView.of(each) for each in estimate.inputs],
            cautions=[CautionView.of(caution) for caution in estimate.cautions],
        )
