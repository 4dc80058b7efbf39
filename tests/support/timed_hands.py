"""A person at a virtual programmer, in virtual time: does things to the board when their time has come."""

import threading
from collections.abc import Callable

from simulator.programmer.programmer import VirtualProgrammer

Deed = Callable[[VirtualProgrammer, float], object]


class TimedHands:
    """Goes between a transport and its programmer (`transport.replug(TimedHands(...))`).

    `at` and `now` may be called from any thread; the deeds are done in the one that moves time.
    """

    def __init__(self, programmer: VirtualProgrammer) -> None:
        self._programmer = programmer
        self._deeds: list[tuple[float, Deed]] = []
        self._lock = threading.Lock()
        self.supplies = programmer.supplies

    def at(self, when_s: float, deed: Deed) -> None:
        """Let `deed` be done at a time of the shared clock."""
        with self._lock:
            self._deeds.append((when_s, deed))
            self._deeds.sort(key=lambda each: each[0])

    def now(self, deed: Deed) -> None:
        """Let `deed` be done as soon as time moves."""
        self.at(0.0, deed)

    def receive(self, data: bytes, now_s: float) -> None:
        """Pass bytes on to the board."""
        self._programmer.receive(data, now_s)

    def take_output(self, now_s: float) -> bytes:
        """Do what is due, and return what the board sends."""
        while (deed := self._due(now_s)) is not None:
            deed(self._programmer, now_s)
        return self._programmer.take_output(now_s)

    def _due(self, now_s: float) -> Deed | None:
        with self._lock:
            return self._deeds.pop(0)[1] if self._deeds and self._deeds[0][0] <= now_s else None

    def next_deadline_s(self) -> float | None:
        """Return when something is due."""
        with self._lock:
            due_s = [self._deeds[0][0]] if self._deeds else []
        own_s = self._programmer.next_deadline_s()
        return min([*due_s, *([] if own_s is None else [own_s])], default=None)
