"""Which supply settings a programmer can make for a part, and what has to be left unchecked."""

from dataclasses import dataclass
from enum import StrEnum

from protocol.identity import SupplyRange
from protocol.wire import SupplyKind

#: How far a read supply may be off what was asked for and still count as that supply.
READ_TOLERANCE_MV = 50


class How(StrEnum):
    """How a setting comes about."""

    ITSELF = "itself"
    BY_HAND = "by-hand"


@dataclass(frozen=True, slots=True)
class Setting:
    """A supply value that the programmer can make, in mV, and whether a person has to set it."""

    mv: int
    how: How


def setting_for(supply: SupplyRange, wanted_mv: int, tolerance_mv: int) -> Setting | None:
    """Return how `supply` makes `wanted_mv` to within `tolerance_mv`, None when it cannot."""
    match supply.kind:
        case SupplyKind.FIXED:
            fits = abs(supply.maximum_mv - wanted_mv) <= tolerance_mv
            return Setting(supply.maximum_mv, How.ITSELF) if fits else None
        case SupplyKind.HAND_SET:
            fits = supply.minimum_mv <= wanted_mv <= supply.maximum_mv
            return Setting(wanted_mv, How.BY_HAND) if fits else None
        case SupplyKind.ADJUSTABLE:
            mv = _nearest(supply, wanted_mv)
            return Setting(mv, How.ITSELF) if abs(mv - wanted_mv) <= tolerance_mv else None
        case _:
            return None


def _nearest(supply: SupplyRange, wanted_mv: int) -> int:
    """Return the step nearest to `wanted_mv` within the range."""
    step = max(1, supply.step_mv)
    mv = supply.minimum_mv + round((wanted_mv - supply.minimum_mv) / step) * step
    return min(max(mv, supply.minimum_mv), supply.maximum_mv)


def volts(mv: int) -> str:
    """Return a voltage in words."""
    return f"{mv / 1000:.2f} V"


def describe_supply(name: str, supply: SupplyRange) -> str:
    """Return what a supply can do, in words."""
    match supply.kind:
        case SupplyKind.FIXED:
            return f"{name} fixed at {supply.maximum_mv / 1000:.2f} V"
        case SupplyKind.HAND_SET:
            return f"{name} set by hand, {supply.minimum_mv / 1000:.2f} to {supply.maximum_mv / 1000:.2f} V"
        case SupplyKind.ADJUSTABLE:
            return f"{name} {supply.minimum_mv / 1000:.2f} to {supply.maximum_mv / 1000:.2f} V"
        case _:
            return f"no {name}"
