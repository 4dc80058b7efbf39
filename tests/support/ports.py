"""Ports that programmers are plugged into and pulled out of, for workers and rosters with real threads.

Time is virtual and shared: nothing on a line costs real time, so what is waited for comes about at once.
"""

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from daemon.clock import ManualClock
from daemon.discovery import Candidate
from daemon.programmers.port_worker import Pauses
from daemon.transport.base import PortKind, Transport
from daemon.transport.memory import MemoryTransport, Peer
from daemon.transport.port_errors import port_missing
from protocol.fields import encode
from protocol.framing import Frame, FrameReader, encode_frame
from protocol.messages import Answer, HelloReply
from protocol.wire import Fault, Kind, Opcode, Status
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


class Greeter(Silent):
    """A device that answers HELLO with fields of the test's choice, and nothing else."""

    def __init__(self, status: Status = Status.OK, session: int = 1, **changes: int) -> None:
        limits = {"major": 1, "minor": 0, "max_payload": 64, "window": 1, "rx_bytes": 96, "watchdog_ms": 1000}
        self._limits = limits | changes
        self._status = status
        self._session = session
        self._reader = FrameReader()
        self._out = b""

    def receive(self, data: bytes, now_s: float) -> None:
        for frame in self._reader.feed(data):
            if frame is not None and frame.content[0] == Opcode.HELLO:
                nonce = int.from_bytes(frame.content[1:5], "little")
                reply = HelloReply(nonce=nonce, boot_id=1, fields=b"", **self._limits)
                content = encode(Answer(Opcode.HELLO, self._status, Fault.NONE, encode(reply)))
                self._out += encode_frame(Frame(Kind.REPLY, frame.number, self._session, content))

    def take_output(self, now_s: float) -> bytes:
        out, self._out = self._out, b""
        return out


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
    """Places to plug something in.

    A port that `refuses` cannot be opened, for the reason given. `listens_at`: the only baud rate that what
    is plugged in understands; None: any.
    """

    clock: SharedClock = field(default_factory=SharedClock)
    peers: dict[str, Peer] = field(default_factory=dict)
    candidates: dict[str, Candidate] = field(default_factory=dict)
    refuses: dict[str, Exception] = field(default_factory=dict)
    #: Each attempt: path and baud rate.
    opened: list[tuple[str, int]] = field(default_factory=list)
    transports: dict[str, MemoryTransport] = field(default_factory=dict)
    listens_at: int | None = None

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
        if candidate.path not in self.candidates:
            raise port_missing(candidate.path)
        if candidate.path in self.refuses:
            raise self.refuses[candidate.path]
        peer = self.peers[candidate.path]
        if self.listens_at not in (None, baud):
            peer = Silent()
        line = PatientTransport(peer, self.clock, path=candidate.path)
        self.transports[candidate.path] = line
        return line


def until(condition: Callable[[], object], timeout_s: float = 10.0) -> None:
    """Wait until `condition()` holds; AssertionError after `timeout_s` of real time."""
    deadline_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline_s, "it did not come about"
        time.sleep(0.005)
