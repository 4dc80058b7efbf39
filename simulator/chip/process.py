"""The constants of one chip's cells: what its maker's process and its age make of it.

Threshold here means the VCC at which a cell's reading flips: it reads erased above, programmed below (in a
read the control gate stands at VCC; standard device physics, from memory). Where a figure has no source it
is ours, chosen so that what data sheets and benches report comes out; `tests/simulator/chip` holds it to
them.

* An erased cell's threshold is `neutral_mv` (from memory: an EPROM's neutral threshold is 1 to 2 V).
* A finished programming lifts it by `window_mv` (ours; well above the 6 V at which makers check).
* Hot-electron programming saturates exponentially; no electrons are injected below a critical VPP, and from
  there the attainable window grows linearly (ours: `critical_vpp` of nominal. With it the maker's tolerance
  of 0.25 V is harmless, 0.7 V low costs more pulses, 1 V low of 12.5 V cannot reach the programming VCC).
  The rate grows exponentially with VPP (standard physics; the slope `rate_vpp` is ours).
* Light takes the stored charge away exponentially with dose, dV = dV0 exp(-D/Dc), as follows from a
  photocurrent proportional to irradiance and charge (the published model, from memory: Katznelson and
  Frohman-Bentchkowsky, IEEE TED 1980). Dc is a third of the dose the data sheet asks for (ours): a chip
  then first reads blank at 5.0 V at 0.3 of that dose, which is the hobby rule "first blank, then 3 to 5
  times" (Goodman 1984), and keeps 5 % of its charge after the full dose.
* The spreads of window and Dc together leave 0.016 in ln(dose) (ours), set by the one published
  observation: blank at 5.00 V, legible at 4.80 V, nearly complete at 4.60 V (E. Dicks 2007, softwolves.com
  archive 12/12083).
"""

import math
from dataclasses import dataclass, replace
from random import Random
from typing import Self

from daemon.catalogue.model import Part
from daemon.catalogue.terms import Loop
from simulator.chip.erase_laws import EraseLaw

#: Time constants of a typical cell that the maker's whole algorithm amounts to, its overprogram pulse
#: included.
_STRENGTH = 6.0
#: Most pulses that a slow cell takes.
_SLOWEST_PULSES = 4.0


@dataclass(frozen=True, slots=True)
class Process:
    """What the cells of one chip have in common. mV, V, s, J/cm2; sigmas are relative except where in mV."""

    vpp_v: float = 12.75
    """Programming voltage that the process was made for."""
    time_constant_s: float = 100e-6 / _STRENGTH
    """Of programming a typical cell at `vpp_v`."""
    pulse_s: float = 100e-6
    verify_mv: float = 6250.0
    """VCC of the maker's program verify."""
    dose_constant_j: float = 5.0
    """Dose that takes 63 % of the charge away; infinite for parts without a window."""
    neutral_mv: float = 1500.0
    window_mv: float = 8000.0
    neutral_sigma_mv: float = 20.0
    window_sigma: float = 0.010
    dose_sigma: float = 0.010
    """Standard deviation of ln(dose) from cell to cell; `erase_law` says how it is distributed."""
    erase_law: EraseLaw = EraseLaw.LOG_NORMAL
    speed_sigma: float = 0.10
    slow_ppm: float = 20.0
    """Cells in a million that need 2 to 4 pulses."""
    noise_mv: float = 8.0
    """Of the sense amplifier, from one read to the next; sigma."""
    critical_vpp: float = 0.82
    rate_vpp: float = 0.04
    """Relative rise of VPP that makes programming e times faster."""
    endurance_cycles: float = 1000.0
    """Erase cycles that double time constants and spreads (ours; people report an end at 100 to 1000)."""

    @classmethod
    def of_part(cls, part: Part, seed: int) -> Self:
        """Return the process of one chip of this part: the maker's figures with the scatter of lots."""
        lots = Random(seed)
        usual = cls()
        write, supplies = part.write, part.supplies
        pulse_s = (write.pulse_us if write and write.pulse_us else 100.0) / 1e6
        whole_s = pulse_s * (1 + (write.overprogram_factor if write else 0))
        single = write is not None and write.loop is Loop.SINGLE_PULSE
        dose = part.erase.dose_j_per_cm2
        return cls(
            vpp_v=supplies.vpp_program_v or usual.vpp_v,
            time_constant_s=whole_s / _STRENGTH * lots.lognormvariate(0.0, 0.05),
            pulse_s=pulse_s,
            verify_mv=1000 * (supplies.vcc_program_v or supplies.vcc_read_v),
            dose_constant_j=math.inf if dose is None else dose / 3 * lots.lognormvariate(0.0, 0.05),
            slow_ppm=0.0 if single else usual.slow_ppm,
        )

    def worn(self, cycles: float) -> Self:
        """Return the process after so many erase cycles: slower to program and to erase, wider spread."""
        wear = 1 + cycles / self.endurance_cycles
        return replace(
            self,
            time_constant_s=self.time_constant_s * wear,
            dose_constant_j=self.dose_constant_j * (1 + wear) / 2,
            window_sigma=self.window_sigma * wear,
            dose_sigma=self.dose_sigma * wear,
            speed_sigma=self.speed_sigma * wear,
            slow_ppm=self.slow_ppm * wear * wear,
        )

    def with_erase_law(self, law: EraseLaw, sigma: float, vcc_v: float = 4.2) -> Self:
        """Return the process with another law of erasing, `sigma` being the spread of ln(dose) at `vcc_v`.

        All other scatter of thresholds goes, so that the law stands alone. For `DECAY` the stored charge
        scatters (normally) and not the decay: a cell flips at Dc ln(window / (VCC - neutral)), so the window
        gets sigma times that logarithm.
        """
        alone = replace(self, erase_law=law, neutral_sigma_mv=0.0, window_sigma=0.0, dose_sigma=sigma)
        if law is not EraseLaw.DECAY:
            return alone
        constants = math.log(self.window_mv / (1000 * vcc_v - self.neutral_mv))
        return replace(alone, window_sigma=sigma * constants, dose_sigma=0.0)

    def attainable(self, vpp_v: float) -> float:
        """Return the share of the window that programming at `vpp_v` can reach (1 at the nominal VPP)."""
        critical = self.critical_vpp * self.vpp_v
        return min(max((vpp_v - critical) / (self.vpp_v - critical), 0.0), 1.3)

    def time_constants(self, vpp_v: float, width_s: float) -> float:
        """Return how many time constants of a typical cell a pulse is."""
        return width_s / self.time_constant_s * math.exp((vpp_v / self.vpp_v - 1) / self.rate_vpp)

    @property
    def slow_speed(self) -> tuple[float, float]:
        """Return a and b of a slow cell's speed 1/(a + b u), u uniform from 0 to 1, 1 being a typical cell's.

        Speeds are such that the cell verifies with its second, third or fourth pulse of the maker's.
        """
        needed = self.verify_mv - self.neutral_mv
        enough = math.log(self.window_mv / (self.window_mv - needed)) * self.time_constant_s / self.pulse_s
        return 1.15 / enough, (_SLOWEST_PULSES - 1.4) / enough
