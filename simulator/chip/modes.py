"""What a chip makes of the voltages on its pins: which mode it is in, and which pins that hurts."""

from collections.abc import Mapping
from math import isnan

from daemon.catalogue import pins as pin_names
from daemon.catalogue.model import Part
from daemon.catalogue.terms import Level, Mode

#: TTL input levels (data sheets of all parts here: VIL 0.8 V, VIH 2.0 V).
_LOW_V = 0.8
_HIGH_V = 2.0
#: No logic level is this high; what is, is a programming or ID voltage (ours: well between 7 and 11.5 V).
_HIGH_VOLTAGE_V = 8.5
#: Share of the nominal high voltage at which a chip's detector answers (ours).
_DETECTED = 0.75
#: Below this VCC nothing in the chip works (ours).
WORKING_V = 2.5
#: What an ordinary input stands above the supply's absolute maximum, and how exact such a rating is taken
#: (ours).
_INPUT_MAX_V = 7.0
_GRACE = 1.02

Volts = Mapping[int, float]
"""Package pin -> volts above the programmer's ground; NaN where nothing drives it."""


class ModeTable:
    """The mode table of a part as its silicon decodes it.

    Modes that ask for a high voltage are looked for first, so that a row which says nothing about one (VPP
    in read: makers call it "don't care") does not hide them. A combination that no row has does nothing.
    """

    def __init__(self, part: Part) -> None:
        self._part = part
        self.power_pins = part.vcc_pins + part.ground_pins
        self.control_pins = self._decoded()
        rows = [(mode, self._conditions(mode)) for mode in part.modes]
        self._rows = sorted(
            rows, key=lambda row: -sum(level in (Level.VPP, Level.ID) for level in row[1].values())
        )
        self._limits_v = {pin: self._limit_v(pin) for pin in range(1, len(part.pins) + 1)}

    def _decoded(self) -> tuple[int, ...]:
        """Return the pins whose level decides the mode, those that share a job with an address included."""
        named = {
            pin
            for table in self._part.modes.values()
            for name in table
            for pin in self._part.pin_numbers(name)
        }
        return tuple(sorted(named - set(self.power_pins)))

    def _conditions(self, mode: Mode) -> dict[int, Level]:
        levels = self._part.levels(mode)
        return {pin: levels[pin] for pin in self.control_pins if levels[pin] is not Level.FLOAT}

    def _limit_v(self, pin: int) -> float:
        supplies = self._part.supplies
        if pin in self._part.vcc_pins:
            return supplies.vcc_abs_max_v
        limits = [max(supplies.vcc_abs_max_v, _INPUT_MAX_V)]
        if pin in self._part.vpp_pins and supplies.vpp_abs_max_v:
            limits.append(supplies.vpp_abs_max_v)
        if self.takes_id(pin) and supplies.id_abs_max_v:
            limits.append(supplies.id_abs_max_v)
        return max(limits)

    def takes_id(self, pin: int) -> bool:
        """Tell whether the pin is made for the ID voltage."""
        return pin in self._part.pin_numbers("A9") and self._part.supplies.id_abs_max_v is not None

    def takes_high_voltage(self, pin: int) -> bool:
        """Tell whether the pin may go above VCC, which also means that no diode ties it to VCC."""
        return pin in self._part.vpp_pins or self.takes_id(pin)

    def connected(self, pin: int) -> bool:
        """Tell whether the pin leads to the die at all."""
        return not pin_names.is_idle(self._part.signal_of(pin))

    def vcc_v(self, volts: Volts) -> float:
        """Return the supply that the die sees between its VCC and ground pins; 0 when either is open."""
        top = [volts[pin] for pin in self._part.vcc_pins if not isnan(volts[pin])]
        bottom = [volts[pin] for pin in self._part.ground_pins if not isnan(volts[pin])]
        if not top or not bottom:
            return 0.0
        return max(max(top) - min(bottom), 0.0)

    def hurt(self, volts: Volts) -> tuple[int, float, float] | None:
        """Return a pin above its absolute maximum, its voltage and the limit; None when all are within."""
        for pin, value in volts.items():
            limit = self._limits_v[pin]
            if value > limit * _GRACE and self.connected(pin):
                return pin, value, limit
        return None

    def recognise(self, volts: Volts) -> Mode | None:
        """Return the mode that these voltages select; None for a combination that does nothing, or no supply.

        `volts` has every control and power pin, none of the control pins NaN.
        """
        if self.vcc_v(volts) < WORKING_V:
            return None
        for mode, conditions in self._rows:
            if all(self._meets(level, volts[pin]) for pin, level in conditions.items()):
                return mode
        return None

    def _meets(self, level: Level, volts: float) -> bool:
        supplies = self._part.supplies
        match level:
            case Level.LOW | Level.PULSE_LOW:
                return volts <= _LOW_V
            case Level.HIGH | Level.PULSE_HIGH:
                return _HIGH_V <= volts < _HIGH_VOLTAGE_V
            case Level.VPP:
                return volts >= max(_DETECTED * (supplies.vpp_program_v or 0.0), _HIGH_VOLTAGE_V)
            case Level.ID:
                return volts >= max(_DETECTED * (supplies.id_v or 0.0), _HIGH_VOLTAGE_V)
            case _:
                return volts < _HIGH_VOLTAGE_V
