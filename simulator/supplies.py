"""The programmer's supplies in virtual time: how they rise, sag, drift, discharge and are measured.

A supply is one capacitor behind a switch: it approaches its value with one time constant when on, and 0 V
through its bleeder resistor with another when off. Voltages are volts at the socket, times seconds that never
go back.
"""

import math
from dataclasses import dataclass
from enum import Enum, auto

from protocol.identity import SupplyRange
from protocol.wire import SupplyKind
from simulator.rails import Rails

#: Below this a supply counts as discharged (`SPEC.md` D27).
DISCHARGED_V = 0.5

#: After so many time constants a capacitor is taken to be at its end: within 0.1 mV of 26 V.
_SETTLED_CONSTANTS = 13.0


class SupplyName(Enum):
    """Which supply."""

    VCC = auto()
    VPP = auto()
    ID = auto()


@dataclass(frozen=True, slots=True)
class SupplyDesign:
    """How one supply is built. `rise_s` and `fall_s` are its time constants on and off; 0 is at once.

    `adc_error` is the measurement's gain error as a fraction, `adc_step_mv` its resolution; a supply with
    `adc_step_mv` 0 cannot be measured.
    """

    range: SupplyRange
    rise_s: float = 0.0005
    fall_s: float = 0.004
    adc_step_mv: int = 10
    adc_error: float = 0.0

    @property
    def measurable(self) -> bool:
        """Whether the board can measure this supply."""
        return self.adc_step_mv > 0


@dataclass(frozen=True, slots=True)
class SupplyTrouble:
    """What is wrong with one supply; the default is nothing.

    `ceiling_v`: it never gets above this (weak). `source_ohm`: what it loses under load (sagging).
    `drift_v_per_s`: how it walks away, from `drift_after_s` after it was switched on.
    """

    ceiling_v: float = math.inf
    source_ohm: float = 0.0
    drift_v_per_s: float = 0.0
    drift_after_s: float = 0.0


class Supply:
    """One supply of the board."""

    def __init__(self, design: SupplyDesign, trouble: SupplyTrouble | None = None) -> None:
        self.design = design
        self.trouble = trouble or SupplyTrouble()
        #: Where the user has turned a hand-set supply to, volts; it starts in the middle of its range.
        self.trimmer_v = (design.range.minimum_mv + design.range.maximum_mv) / 2000
        #: Goes up with every change of the supply.
        self.revision = 0
        #: What was asked for last, mV; 0 is off.
        self.asked_mv = 0
        #: How often the switch was closed: what an onlooker asks when nothing was to be powered.
        self.switch_ons = 0
        self._from_v = 0.0
        self._changed_s = 0.0
        self._on_s = 0.0

    @property
    def on(self) -> bool:
        """Whether the switch is closed."""
        return self.asked_mv > 0

    def set_mv(self, value_mv: int, now_s: float) -> None:
        """Switch to `value_mv` (0: off); what a fixed or hand-set supply then gives is its own affair."""
        # From one value to another the drift goes on and is added again; once off, it is what is left.
        self._from_v = self._settling_v(now_s) if self.on and value_mv else self._unloaded_v(now_s)
        self._changed_s = now_s
        self.revision += 1
        if value_mv and not self.on:
            self._on_s = now_s
            self.switch_ons += 1
        self.asked_mv = value_mv

    def turn(self, volts: float, now_s: float) -> None:
        """Turn the trimmer of a hand-set supply, on or off."""
        self._from_v = self._settling_v(now_s)
        self._changed_s = now_s
        self.revision += 1
        self.trimmer_v = volts

    def afflict(self, trouble: SupplyTrouble, now_s: float) -> None:
        """Take on a trouble; a drift counts from now on, or from when it is switched on next."""
        self._from_v = self._unloaded_v(now_s)
        self._changed_s = self._on_s = now_s
        self.revision += 1
        self.trouble = trouble

    def voltage_v(self, now_s: float, load_ma: float = 0.0) -> float:
        """Return the voltage at the socket while the socket draws `load_ma`."""
        return max(0.0, self._unloaded_v(now_s) - load_ma * self.trouble.source_ohm / 1000)

    def measured_mv(self, now_s: float, load_ma: float = 0.0) -> int | None:
        """Return what the board's converter reads, None when it has none for this supply."""
        return self._converted_mv(self.voltage_v(now_s, load_ma))

    def standing_mv(self) -> int | None:
        """Return what the converter reads ahead of the switch: a hand-set value before it is used."""
        return self._converted_mv(self._source_v(1))

    def _converted_mv(self, volts: float) -> int | None:
        step_mv = self.design.adc_step_mv
        if not step_mv:
            return None
        return round(volts * 1000 * (1 + self.design.adc_error) / step_mv) * step_mv

    def steady(self, now_s: float) -> bool:
        """Tell whether the voltage without load stays as it is from now on, unless someone changes it."""
        if self.on and self.trouble.drift_v_per_s:
            return False
        return self._settling_v(now_s) == (self._source_v(self.asked_mv) if self.on else 0.0)

    def below_s(self, threshold_v: float, now_s: float) -> float:
        """Return when the voltage of a supply that is off has fallen to `threshold_v` (over 0 V)."""
        if self.on:
            return math.inf
        if self._from_v <= threshold_v:
            return now_s
        # v(t) = v0 exp(-t / tau): a capacitor through its bleeder.
        return max(now_s, self._changed_s + self.design.fall_s * math.log(self._from_v / threshold_v))

    def leaves_band_s(self, low_v: float, high_v: float, now_s: float) -> float:
        """Return the first time from `now_s` on when a settled, measured supply is outside the band."""
        gain = 1 + self.design.adc_error
        measured_v = self._unloaded_v(now_s) * gain
        if not low_v <= measured_v <= high_v:
            return now_s
        speed = self.trouble.drift_v_per_s * gain
        if speed == 0.0:
            return math.inf
        starts_s = max(now_s, self._on_s + self.trouble.drift_after_s)
        way_v = high_v - measured_v if speed > 0 else low_v - measured_v
        return starts_s + way_v / speed

    def _source_v(self, asked_mv: int) -> float:
        """Return what the source behind the switch gives when asked for `asked_mv`."""
        limits = self.design.range
        match limits.kind:
            case SupplyKind.ABSENT:
                volts = 0.0
            case SupplyKind.FIXED:
                volts = limits.minimum_mv / 1000
            case SupplyKind.HAND_SET:
                volts = self.trimmer_v
            case SupplyKind.ADJUSTABLE:
                step_mv = max(1, limits.step_mv)
                within_mv = min(max(asked_mv, limits.minimum_mv), limits.maximum_mv)
                volts = round(within_mv / step_mv) * step_mv / 1000
        return min(volts, self.trouble.ceiling_v)

    def _settling_v(self, now_s: float) -> float:
        """Return the voltage without load and drift."""
        target_v = self._source_v(self.asked_mv) if self.on else 0.0
        constant_s = self.design.rise_s if self.on else self.design.fall_s
        elapsed_s = max(0.0, now_s - self._changed_s)
        if elapsed_s >= _SETTLED_CONSTANTS * constant_s:
            return target_v
        return target_v + (self._from_v - target_v) * math.exp(-elapsed_s / constant_s)

    def _unloaded_v(self, now_s: float) -> float:
        drifted_s = max(0.0, now_s - self._on_s - self.trouble.drift_after_s) if self.on else 0.0
        return max(0.0, self._settling_v(now_s) + self.trouble.drift_v_per_s * drifted_s)


class Supplies:
    """VCC, VPP and the ID voltage of one board."""

    def __init__(self, vcc: Supply, vpp: Supply, id_: Supply) -> None:
        self.vcc = vcc
        self.vpp = vpp
        self.id = id_

    def named(self, name: SupplyName) -> Supply:
        """Return the supply called `name`."""
        return {SupplyName.VCC: self.vcc, SupplyName.VPP: self.vpp, SupplyName.ID: self.id}[name]

    @property
    def on(self) -> bool:
        """Whether any switch is closed."""
        return self.vcc.on or self.vpp.on or self.id.on

    def rails(self, now_s: float, loads_ma: tuple[float, float] = (0.0, 0.0)) -> Rails:
        """Return what the socket gets while it draws `loads_ma` from VCC and VPP."""
        return Rails(
            self.vcc.voltage_v(now_s, loads_ma[0]),
            self.vpp.voltage_v(now_s, loads_ma[1]),
            self.id.voltage_v(now_s),
        )

    def discharged(self, now_s: float) -> bool:
        """Whether all are off and below `DISCHARGED_V`."""
        # By time and not by voltage, which may be a rounding above at the very moment.
        return self.discharged_s(now_s) <= now_s

    def discharged_s(self, now_s: float) -> float:
        """Return when all will be below `DISCHARGED_V`; infinity while one is on."""
        return max(supply.below_s(DISCHARGED_V, now_s) for supply in (self.vcc, self.vpp, self.id))

    def steady(self, now_s: float) -> bool:
        """Tell whether all voltages stay as they are from now on, unless someone changes one."""
        return all(supply.steady(now_s) for supply in (self.vcc, self.vpp, self.id))

    def cut(self, now_s: float) -> None:
        """Open all switches at once, as the pull-downs do in reset."""
        for supply in (self.id, self.vpp, self.vcc):
            if supply.on:
                supply.set_mv(0, now_s)
