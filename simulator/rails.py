"""The voltages that a programmer has on its supply lines."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Rails:
    """Actual volts at the socket: VCC, VPP, ID voltage. 0.0 is off."""

    vcc_v: float = 0.0
    vpp_v: float = 0.0
    id_v: float = 0.0
