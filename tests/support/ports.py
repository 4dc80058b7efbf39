"""Ports that programmers are plugged into and pulled out of, for workers and rosters with real threads.

Time is virtual and shared: nothing on a line costs real time, so what is waited for comes about at once.
"""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from daemon.clock import ManualClock
from daemon.discovery import Candidate
from daemon.errors import BenchError
from daemon.programmers.port_worker import Pauses
from daemon.transport.base import PortKind, Transport
from daemon.transport.memory import MemoryTransport, Peer
from simulator.programmer.profile import full
from simulator.programmer.programmer import VirtualProgrammer
from simulator.socket import Socket

#: So short that no test waits for them.
QUICK = Pauses(first_s=0.002, longest_s=0.01, stranger_s=0.01)


class SharedClock(ManualClock):
    """Virtual time that several threads move on."""

    def __init__(self) -> None:
        super().__init__()
        self._lock = threading.Lock()

    def advance_s(self, duration_s: float) -> None:
        with self._lock:
            super().advance_s(duration_s)


class Silent:
    """Something that is no programmer: it takes bytes and says nothing."""

    def receive(self, data: bytes, now_s: float) -> None: ...

    def take_output(self, now_s: float) -> bytes:
        return b""

    def next_deadline_s(self) -> float | None:
        return None


def board(serial: str, clock: ManualClock, *, boot_s: float = 0.0, **options: object) -> VirtualProgrammer:
    """Return a simulated programmer with an empty socket."""
    profile = replace(full(serial), boot_s=boot_s)
    return VirtualProgrammer(profile, Socket(48), now_s=clock.monotonic_s(), **options)


class PatientTransport(MemoryTransport):
    """Lets other threads run while nothing happens on the line."""

    def read(self, timeout_s: float) -> bytes:
        data = super().read(timeout_s)
        if not data:
            time.sleep(0.001)
        return data


@dataclass
class Ports:
    """Places to plug something in. A port that `refuses` cannot be opened, for the reason given."""

    clock: SharedClock = field(default_factory=SharedClock)
    peers: dict[str, Peer] = field(default_factory=dict)
    candidates: dict[str, Candidate] = field(default_factory=dict)
    refuses: dict[str, BenchError] = field(default_factory=dict)
    opened: list[tuple[str, int]] = field(default_factory=list)
    transports: dict[str, MemoryTransport] = field(default_factory=dict)
    make: Callable[["Ports", Candidate, int], Transport] | None = None

    def plug(self, path: str, peer: Peer, kind: PortKind = PortKind.USB, **known: object) -> None:
        """Plug something in; `known` is what the system tells of the port."""
        self.peers[path] = peer
        self.candidates[path] = Candidate(path, kind, **known)

    def unplug(self, path: str) -> None:
        """Pull it out."""
        del self.candidates[path]
        if path in self.transports:
            self.transports[path].unplug()

    def enumerate(self) -> list[Candidate]:
        """List what is plugged in."""
        return list(self.candidates.values())

    def transport(self, candidate: Candidate, baud: int) -> Transport:
        """Return the line to what is plugged in."""
        self.opened.append((candidate.path, baud))
        if candidate.path in self.refuses:
            raise self.refuses[candidate.path]
        if self.make is not None:
            return self.make(self, candidate, baud)
        line = PatientTransport(self.peers[candidate.path], self.clock, path=candidate.path)
        self.transports[candidate.path] = line
        return line


def until(condition: Callable[[], object], timeout_s: float = 10.0) -> None:
    """Wait until `condition()` holds; AssertionError after `timeout_s` of real time."""
    deadline_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline_s, "it did not come about"
        time.sleep(0.002)
