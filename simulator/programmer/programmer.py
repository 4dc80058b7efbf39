"""The virtual programmer: the device's link, the board's supplies and the pins, joined in virtual time."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from protocol.device import Accepted, DeviceLink, Outcome, nothing_done
from protocol.wire import Capability, EventCode, Fault, Status
from simulator.bus import Bus
from simulator.chip.chip import Chip
from simulator.programmer.board import Board, no_progress
from simulator.programmer.operations import Operations
from simulator.programmer.ports import BusFactory
from simulator.programmer.power import discharge
from simulator.programmer.profile import Profile
from simulator.programmer.steps import ChipSwapped, Halt, Steps, SupplyChanged, Waits
from simulator.rails import Rails
from simulator.socket import Placement, Socket
from simulator.supplies import Supplies, Supply, SupplyName, SupplyTrouble


@dataclass(slots=True)
class _Activity:
    """What the board is doing: steps, and when it wants to go on.

    `haltable`: whether it may still be told to halt; once told, it ends its pulse and discharges undisturbed.
    """

    steps: Waits
    haltable: bool
    due_s: float = 0.0


class VirtualProgrammer:
    """A programmer that executes what comes over the wire, in virtual time.

    All times are seconds of one clock that never goes back. What happens between two calls happens at its own
    time, so it does not matter how often a caller looks in; `next_deadline_s` says when something is due.
    Not thread-safe.
    """

    def __init__(
        self,
        profile: Profile,
        socket: Socket,
        *,
        boot_id: int = 1,
        last_session: int | None = None,
        now_s: float = 0.0,
        troubles: Mapping[SupplyName, SupplyTrouble] | None = None,
        make_bus: BusFactory | None = None,
    ) -> None:
        """Switch a board on. `make_bus` replaces the pins (tests); `troubles` are faults of its supplies.

        Sessions are counted on from `last_session` after each boot; None: from a number of each boot's own.

        Raises ValueError when the socket has another number of pins than the profile says.
        """
        if socket.pin_count != profile.identity.socket_pins:
            raise ValueError(
                f"a socket of {socket.pin_count} pins on a board of {profile.identity.socket_pins}"
            )
        self.profile = profile
        self.socket = socket
        self.boot_id = boot_id
        self._last_session = last_session
        troubles = troubles or {}
        self.supplies = Supplies(
            Supply(profile.vcc, troubles.get(SupplyName.VCC)),
            Supply(profile.vpp, troubles.get(SupplyName.VPP)),
            Supply(profile.id, troubles.get(SupplyName.ID)),
        )
        self._host_speed = 1.0
        self._make_bus: BusFactory = make_bus or (lambda part: Bus(part, socket))
        self._boot(now_s)

    def _boot(self, now_s: float) -> None:
        self._awake_s = now_s + self.profile.boot_s
        self._activity: _Activity | None = None
        # Unless told, each boot begins elsewhere: frames from before a reset are not taken for newer ones.
        last_session = self.boot_id * 0x1F3 % 0xFFFF if self._last_session is None else self._last_session
        self._link = DeviceLink(
            self.profile.identity, self.profile.limits, self.boot_id, self._awake_s, last_session
        )
        self.set_host_speed(self._host_speed)
        self._board = Board(self.profile, self.socket, self.supplies, self._make_bus, now_s)
        self._operations = Operations(self._board, self._link)
        self._session = 0

    def set_host_speed(self, seconds: float) -> None:
        """Say how many seconds go by here in one of the host's; the watchdog keeps to the host's."""
        self._host_speed = seconds
        self._link.watchdog_s = self.profile.limits.watchdog_ms / 1000 * seconds

    # The line

    def receive(self, data: bytes, now_s: float) -> None:
        """Take bytes from the line; a board that is still starting does not hear them."""
        self._advance(now_s)
        if self._board.now_s < self._awake_s:
            return
        self._link.progress_words = self._board.progress(self._board.now_s)
        self._link.receive(data, self._board.now_s)
        self._pump()
        self._advance(now_s)

    def take_output(self, now_s: float) -> bytes:
        """Return the bytes that the board has put on the line by now."""
        self._advance(now_s)
        output = self._link.take_output()
        if output and self._activity is not None and self._activity.due_s == math.inf:
            self._resume(self._activity)
            self._pump()
        return output

    def next_deadline_s(self) -> float | None:
        """Return when something is due without any byte from the host, None while nothing is."""
        due_s = min(self._due_s())
        return None if due_s == math.inf else max(due_s, self._board.now_s)

    # Looking from outside

    @property
    def faults(self) -> Fault:
        """The latched faults."""
        return self._link.faults

    @property
    def busy(self) -> bool:
        """Whether a request is being carried out, or the supplies are being taken off."""
        return self._activity is not None

    def rails(self, now_s: float) -> Rails:
        """Return the voltages at the socket, unloaded."""
        self._advance(now_s)
        return self.supplies.rails(self._board.now_s)

    # Hands on the board

    def insert(self, chip: Chip, now_s: float, placement: Placement | None = None) -> None:
        """Put a chip into the socket, in place of any other. Raises ValueError when it has too many pins."""
        if len(chip.part.pins) > self.socket.pin_count:
            raise ValueError(f"{chip.part.name} does not go into {self.socket.pin_count} pins")
        self._swap(lambda: self.socket.insert(chip, placement or Placement()), now_s)

    def remove(self, now_s: float) -> Chip | None:
        """Take the chip out and return it."""
        chip = self.socket.chip
        self._swap(self.socket.remove, now_s)
        return chip

    def open_socket(self, now_s: float) -> None:
        """Lift the socket's lever; a board with a sensor takes its supplies off (D21)."""
        self._advance(now_s)
        if Capability.SOCKET_SENSOR not in self.profile.identity.capabilities:
            return
        self._link.send_event(EventCode.SOCKET_OPENED)
        if not self.supplies.discharged(self._board.now_s):
            self._halt(Halt(Status.ABORTED, Fault.SOCKET_OPENED))
        self._settle(now_s)

    def close_socket(self, now_s: float) -> None:
        """Press the socket's lever down."""
        self._advance(now_s)
        if Capability.SOCKET_SENSOR in self.profile.identity.capabilities:
            self._link.send_event(EventCode.SOCKET_CLOSED)

    def press_button(self, now_s: float) -> None:
        """Press the board's button, if it has one."""
        self._advance(now_s)
        if Capability.BUTTON in self.profile.identity.capabilities:
            self._link.send_event(EventCode.BUTTON)

    def turn_trimmer(self, name: SupplyName, volts: float, now_s: float) -> None:
        """Turn a hand-set supply to `volts`."""
        self._advance(now_s)
        self._tell(SupplyChanged())
        self.supplies.named(name).turn(volts, self._board.now_s)
        self._settle(now_s)

    def afflict(self, name: SupplyName, trouble: SupplyTrouble, now_s: float) -> None:
        """Give a supply a trouble, from now on."""
        self._advance(now_s)
        self._tell(SupplyChanged())
        self.supplies.named(name).afflict(trouble, self._board.now_s)
        self._settle(now_s)

    def reset(self, now_s: float) -> None:
        """Restart the controller, as on a power cycle: pull-downs open all switches, all memory is lost."""
        self._advance(now_s)
        if self._activity is not None:
            if self._activity.haltable:
                self._throw(self._activity, Halt(Status.ABORTED, cut=True))
            if self._activity is not None:
                self._activity.steps.close()
        self.supplies.cut(self._board.now_s)
        self._unpower()
        self.boot_id += 1
        self._boot(self._board.now_s)

    def _swap(self, change: Callable[[], object], now_s: float) -> None:
        self.open_socket(now_s)
        self._tell(ChipSwapped())
        self._unpower()
        change()
        self._unpower()
        self.close_socket(now_s)
        self._settle(now_s)

    def _tell(self, what: Exception) -> None:
        """Let work that was computed ahead of time know what is about to happen, if it has to."""
        if self._activity is not None and isinstance(what, self._board.tell):
            self._throw(self._activity, what)

    # Time

    def _due_s(self) -> tuple[float, float, float]:
        """Return when the work, the watchdog and a drifting supply are due; infinity for never."""
        activity = self._activity
        watchdog_s = self._link.deadline_s()
        watched = activity is None or activity.haltable
        return (
            math.inf if activity is None else activity.due_s,
            math.inf if watchdog_s is None else watchdog_s,
            self._board.leaves_tolerance_s() if watched else math.inf,
        )

    def _advance(self, now_s: float) -> None:
        """Let everything happen that is due until `now_s`, each at its own time."""
        while True:
            work_s, watchdog_s, drift_s = self._due_s()
            due_s = min(work_s, watchdog_s, drift_s)
            if due_s > now_s:
                break
            self._board.now_s = max(self._board.now_s, due_s)
            if due_s == work_s and self._activity is not None:
                self._resume(self._activity)
            elif due_s == watchdog_s:
                self._link.tick(self._board.now_s)
            else:
                self._halt(Halt(Status.SUPPLY_OUT_OF_TOLERANCE, self._board.out_of_tolerance()))
            self._pump()
        self._board.now_s = max(self._board.now_s, now_s)

    def _settle(self, now_s: float) -> None:
        self._pump()
        self._advance(now_s)

    # Work

    def _pump(self) -> None:
        """Start what can be started and stop what must be stopped."""
        while True:
            self._link.set_energised(not self.supplies.discharged(self._board.now_s))
            if self._link.session != self._session:
                self._session = self._link.session
                self._operations.forget_confirmations()
            activity = self._activity
            if self._link.stop_wanted:
                if activity is not None and not activity.haltable:
                    return
                self._halt(Halt(Status.ABORTED))
            elif activity is None and (request := self._link.next_request()) is not None:
                self._start(_Activity(self._serve(request), haltable=True))
            else:
                return

    def _start(self, activity: _Activity) -> None:
        self._activity = activity
        self._resume(activity)

    def _resume(self, activity: _Activity) -> None:
        try:
            activity.due_s = next(activity.steps)
        except StopIteration:
            self._activity = None

    def _throw(self, activity: _Activity, what: Exception) -> None:
        try:
            activity.due_s = activity.steps.throw(what)
        except StopIteration:
            self._activity = None

    def _halt(self, halt: Halt) -> None:
        """Stop what runs and take the supplies off; latch what `halt` brings."""
        activity = self._activity
        if activity is None:
            self._link.latch(halt.faults)
            self._start(_Activity(self._stand_down(), haltable=False))
        elif activity.haltable:
            activity.haltable = False
            self._throw(activity, halt)
        else:
            self._link.latch(halt.faults)

    def _serve(self, request: Accepted) -> Waits:
        outcome = yield from self._carry_out(request)
        self._board.progress = no_progress
        energised = not self.supplies.discharged(self._board.now_s)
        self._link.set_energised(energised)
        if not energised:
            self._unpower()
        if self._link.stop_wanted:
            self._link.stopped(outcome)
        else:
            self._link.complete(outcome)

    def _carry_out(self, request: Accepted) -> Steps:
        try:
            return (yield from self._operations.run(request))
        except Halt as halt:
            assert self._activity is not None
            self._activity.haltable = False
            self._link.latch(halt.faults)
            yield from discharge(self._board)
            if halt.detail is None:
                return nothing_done(request.operation, halt.status)
            return Outcome(halt.status, halt.detail)

    def _unpower(self) -> None:
        """Let the chip know that it has lost its supplies, or comes to them from outside."""
        chip = self.socket.chip
        if chip is not None and chip.machine is not None:
            chip.machine.lose_power(self._board.now_s)

    def _stand_down(self) -> Waits:
        yield from discharge(self._board)
        self._unpower()
        if self._link.stop_wanted:
            self._link.stopped()
