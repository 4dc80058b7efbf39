"""A person at a virtual programmer, in virtual time: does things to the board when their time has come."""

from collections.abc import Callable

from simulator.programmer.programmer import VirtualProgrammer

Deed = Callable[[VirtualProgrammer, float], object]


class TimedHands:
    """Goes between a transport and its programmer (`transport.replug(TimedHands(...))`)."""

    def __init__(self, programmer: VirtualProgrammer) -> None:
        self._programmer = programmer
        self._deeds: list[tuple[float, Deed]] = []

    def at(self, when_s: float, deed: Deed) -> None:
        """Let `deed` be done at a time of the shared clock."""
        self._deeds.append((when_s, deed))
        self._deeds.sort(key=lambda each: each[0])

    def receive(self, data: bytes, now_s: float) -> None:
        """Pass bytes on to the board."""
        self._programmer.receive(data, now_s)

    def take_output(self, now_s: float) -> bytes:
        """Do what is due, and return what the board sends."""
        while self._deeds and self._deeds[0][0] <= now_s:
            self._deeds.pop(0)[1](self._programmer, now_s)
        return self._programmer.take_output(now_s)

    def next_deadline_s(self) -> float | None:
        """Return when something is due."""
        due_s = [self._deeds[0][0]] if self._deeds else []
        own_s = self._programmer.next_deadline_s()
        return min([*due_s, *([] if own_s is None else [own_s])], default=None)
