"""The board's hardware as the operations see it: time, supplies, socket, and the part that is set up."""

import math
from collections.abc import Callable
from functools import reduce
from operator import or_

from protocol.descriptor import PartDescriptor
from protocol.messages import Measured
from protocol.wire import NONE_U16, Fault, Mode, Status
from simulator.programmer.ports import BusFactory, BusPort, SocketPort
from simulator.programmer.profile import Profile
from simulator.programmer.steps import Halt
from simulator.rails import Rails
from simulator.supplies import Supplies, Supply

#: Two ways of computing one moment differ by less than this.
_ROUNDING_S = 1e-6


def no_progress(_now_s: float) -> int:
    """Tell of no words done."""
    return 0


class Board:
    """The hardware behind the link, from one reset to the next.

    `now_s` is set by whoever runs the operations before each of their steps.
    """

    def __init__(
        self, profile: Profile, socket: SocketPort, supplies: Supplies, make_bus: BusFactory, now_s: float
    ) -> None:
        self.profile = profile
        self.socket = socket
        self.supplies = supplies
        self.now_s = now_s
        #: Words of the running request that are done at a time.
        self.progress: Callable[[float], int] = no_progress
        #: What the work under way, computed ahead of time, is to be told of.
        self.tell: tuple[type[Exception], ...] = ()
        #: What SUPPLY apply has set, mV; 0 is off.
        self.vcc_mv = 0
        self.vpp_mv = 0
        #: Whether they have settled there: from then on they are watched.
        self.settled = False
        #: Whether the socket has been looked at with this part since SETUP (IDENTIFY wants that).
        self.looked = False
        self._make_bus = make_bus
        self._leaves_s: tuple[tuple[int, int], float] | None = None
        self._part: PartDescriptor | None = None
        self._bus: BusPort | None = None

    # The part

    @property
    def is_set_up(self) -> bool:
        """Whether a part is set up."""
        return self._part is not None

    @property
    def part(self) -> PartDescriptor:
        """The part that is set up; only to be asked for when there is one."""
        assert self._part is not None
        return self._part

    @property
    def bus(self) -> BusPort:
        """The pins as this part wants them; only to be asked for when one is set up."""
        assert self._bus is not None
        return self._bus

    def set_up(self, part: PartDescriptor | None) -> None:
        """Take `part` as the one in the socket; None: no part any more."""
        self._part = part
        self._bus = None if part is None else self._make_bus(part)
        self.looked = False

    # Figures of the board, seconds

    @property
    def read_s(self) -> float:
        """Time for a word read."""
        return self.profile.identity.timing.read_ns_per_word / 1e9

    @property
    def program_s(self) -> float:
        """Time for a word programmed beyond its pulses."""
        return self.profile.identity.timing.program_ns_per_word / 1e9

    @property
    def settle_s(self) -> float:
        """Time after a supply change."""
        return self.profile.identity.timing.settle_ms / 1000

    # Supplies in use

    def rails(self, mode: Mode) -> Rails:
        """Return what the socket gets in `mode` under its own load.

        Raises Halt when a supply is overloaded, or measured outside the part's tolerance.
        """
        loads_ma = self.loads_ma(mode)
        self._check_currents(loads_ma)
        self.check_tolerance(loads_ma)
        return self.supplies.rails(self.now_s, loads_ma)

    def loads_ma(self, mode: Mode) -> tuple[float, float]:
        """Return what the socket draws from VCC and VPP in `mode` now."""
        return self.bus.currents_ma(mode, self.supplies.rails(self.now_s))

    def check_at_rest(self) -> None:
        """Raise Halt when the socket overloads a supply with nothing selected."""
        mode = Mode.STANDBY if Mode.STANDBY in self.part.modes else Mode.READ
        self._check_currents(self.loads_ma(mode))

    def _check_currents(self, loads_ma: tuple[float, float]) -> None:
        faults = Fault.NONE
        for supply, load_ma, fault in zip(
            (self.supplies.vcc, self.supplies.vpp),
            loads_ma,
            (Fault.VCC_OVER_CURRENT, Fault.VPP_OVER_CURRENT),
            strict=True,
        ):
            if supply.on and load_ma > supply.design.range.limit_ma:
                faults |= fault
        if faults:
            raise Halt(Status.OVER_CURRENT, faults)

    def check_tolerance(self, loads_ma: tuple[float, float] = (0.0, 0.0)) -> None:
        """Raise Halt when a supply that can be measured is outside the part's tolerance."""
        faults = Fault.NONE
        for supply, asked_mv, tolerance_mv, load_ma, fault in zip(
            (self.supplies.vcc, self.supplies.vpp),
            (self.vcc_mv, self.vpp_mv),
            self._tolerances_mv(),
            loads_ma,
            (Fault.VCC_OUT_OF_TOLERANCE, Fault.VPP_OUT_OF_TOLERANCE),
            strict=True,
        ):
            measured_mv = supply.measured_mv(self.now_s, load_ma)
            if asked_mv and measured_mv is not None and abs(measured_mv - asked_mv) > tolerance_mv:
                faults |= fault
        if faults:
            raise Halt(Status.SUPPLY_OUT_OF_TOLERANCE, faults)

    def leaves_tolerance_s(self) -> float:
        """Return when a supply in use will be seen to have drifted out of the part's tolerance."""
        if not self.settled:
            return math.inf
        # It stays the same time until a supply is changed.
        change = self.supplies.vcc.revision, self.supplies.vpp.revision
        if self._leaves_s is None or self._leaves_s[0] != change:
            self._leaves_s = change, min(self._leaving_s().values(), default=math.inf)
        return self._leaves_s[1]

    def out_of_tolerance(self) -> Fault:
        """Return the faults of the supplies that have drifted out by now."""
        gone = [fault for fault, at_s in self._leaving_s().items() if at_s <= self.now_s + _ROUNDING_S]
        return reduce(or_, gone, Fault.NONE)

    def _leaving_s(self) -> dict[Fault, float]:
        """Return the out-of-tolerance fault of each measured supply in use -> when it is due."""
        uses = zip(
            (self.supplies.vcc, self.supplies.vpp),
            (self.vcc_mv, self.vpp_mv),
            self._tolerances_mv(),
            (Fault.VCC_OUT_OF_TOLERANCE, Fault.VPP_OUT_OF_TOLERANCE),
            strict=True,
        )
        return {
            fault: supply.leaves_band_s(
                (asked_mv - tolerance_mv) / 1000, (asked_mv + tolerance_mv) / 1000, self.now_s
            )
            for supply, asked_mv, tolerance_mv, fault in uses
            if asked_mv and supply.design.measurable
        }

    def _tolerances_mv(self) -> tuple[int, int]:
        if self._part is None:
            return 0, 0
        return self._part.supplies.vcc_tolerance_mv, self._part.supplies.vpp_tolerance_mv

    def measured(self) -> Measured:
        """Return what the converter reads of each supply."""

        def shown(supply: Supply) -> int:
            value_mv = supply.measured_mv(self.now_s)
            return NONE_U16 if value_mv is None else min(value_mv, NONE_U16 - 1)

        return Measured(shown(self.supplies.vcc), shown(self.supplies.vpp), shown(self.supplies.id))
