"""A virtual programmer on a line in virtual time, as the conformance checks see a device."""

from protocol.conformance.link import RawLink
from protocol.conformance.setting import Setting, Socket
from simulator.programmer import Profile, VirtualProgrammer, full
from simulator.socket import Socket as SimulatedSocket
from simulator.supplies import SupplyName


class VirtualLine:
    """The line: time goes on only while somebody waits."""

    def __init__(self, device: VirtualProgrammer) -> None:
        self.device = device
        self._now_s = 0.0

    def now_s(self) -> float:
        return self._now_s

    def send(self, data: bytes) -> None:
        self.device.receive(data, self._now_s)

    def receive(self, until_s: float) -> bytes:
        while True:
            if data := self.device.take_output(self._now_s):
                return data
            if self._now_s >= until_s:
                return b""
            due_s = self.device.next_deadline_s()
            self._now_s = max(self._now_s, until_s if due_s is None else min(due_s, until_s))


class VirtualHands:
    """A person at the board."""

    def __init__(self, line: VirtualLine) -> None:
        self._line = line

    def set_supply(self, name: str, value_mv: int) -> bool:
        self._line.device.turn_trimmer(SupplyName[name], value_mv / 1000, self._line.now_s())
        return True

    def reset(self) -> bool:
        self._line.device.reset(self._line.now_s())
        return True


def virtual_bench(
    profile: Profile | None = None, *, socket: Socket = Socket.EMPTY, simulated: SimulatedSocket | None = None
) -> tuple[RawLink, Setting, VirtualLine]:
    """Return a link to a new virtual programmer, and the setting to judge it with."""
    profile = profile or full("judged")
    device = VirtualProgrammer(profile, simulated or SimulatedSocket(profile.identity.socket_pins))
    line = VirtualLine(device)
    return RawLink(line), Setting(socket, hands=VirtualHands(line)), line
