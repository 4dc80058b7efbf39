"""A simulated programmer in virtual time shared by threads: the daemon's worker and a test's hands."""

import threading
import time
from collections.abc import Callable
from typing import TypeVar

from daemon.clock import ManualClock
from daemon.transport.memory import MemoryTransport
from simulator.programmer.programmer import VirtualProgrammer

_IDLE_S = 0.001
"""Real time that an idle line costs, so that virtual time does not run away from everybody else."""

T = TypeVar("T")


class VirtualClock(ManualClock):
    """Virtual time that several threads may move on."""

    def __init__(self) -> None:
        super().__init__()
        self._lock = threading.Lock()

    def advance_s(self, duration_s: float) -> None:
        """Move time on by `duration_s` seconds (0 or more)."""
        with self._lock:
            super().advance_s(duration_s)


class VirtualTransport(MemoryTransport):
    """A line that lets other threads run while nothing happens on it."""

    def read(self, timeout_s: float) -> bytes:
        """Do as every transport does; an empty answer costs a millisecond of real time."""
        data = super().read(timeout_s)
        if not data:
            time.sleep(_IDLE_S)
        return data


class VirtualHands:
    """Stands between a line and its programmer, so that hands from another thread do not meet it at work."""

    def __init__(self, programmer: VirtualProgrammer, clock: VirtualClock) -> None:
        self._programmer = programmer
        self._clock = clock
        self._lock = threading.Lock()

    def look(self, question: Callable[[VirtualProgrammer, float], T]) -> T:
        """Do something to the board, or ask it something, at the present virtual time."""
        with self._lock:
            return question(self._programmer, self._clock.monotonic_s())

    # The line's end

    def receive(self, data: bytes, now_s: float) -> None:
        """Pass bytes on to the board."""
        with self._lock:
            self._programmer.receive(data, now_s)

    def take_output(self, now_s: float) -> bytes:
        """Return what the board sends."""
        with self._lock:
            return self._programmer.take_output(now_s)

    def next_deadline_s(self) -> float | None:
        """Return when the board has something to do."""
        with self._lock:
            return self._programmer.next_deadline_s()
