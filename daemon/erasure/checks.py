"""The one check of numbers that people type."""

import math

from daemon.errors import BenchError, Code


def within(field: str, value: float, low: float, high: float, unit: str) -> float:
    """Return `value` if it is a number from `low` to `high`; else BenchError `erase-estimate-input`."""
    if math.isfinite(value) and low <= value <= high:
        return value
    raise BenchError(
        Code.ERASE_ESTIMATE_INPUT,
        f"{field} is {value:g} {unit}; it has to lie from {low:g} to {high:g} {unit}.",
        hint="Check the number and its unit.",
        field=field,
        details={
            "value": value if math.isfinite(value) else str(value),
            "low": low,
            "high": high,
            "unit": unit,
        },
    )
