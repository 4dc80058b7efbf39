"""Serves a virtual programmer on a port, in real time, so that it is reached exactly as hardware is."""

import selectors
import socket
import sys
import threading
import time
from collections.abc import Callable
from typing import TypeVar

from simulator.chip.chip import Chip
from simulator.endpoints import Endpoint, Selectable, TcpEndpoint
from simulator.paced_line import PacedLine
from simulator.programmer import VirtualProgrammer
from simulator.socket import Placement
from simulator.supplies import SupplyName, SupplyTrouble

#: Beyond so many bytes on their way to the board nothing more is taken from the host.
_INCOMING_MAX = 65_536
#: Output is taken from the board only when less than this is on its way, so that little is ahead of a reply.
_OUTGOING_LOW = 64
_STOP_S = 2.0

T = TypeVar("T")


def pseudo_terminal_or_tcp() -> Endpoint:
    """Return a pseudo-terminal, or a TCP port on a system that has none."""
    if sys.platform == "win32":
        return TcpEndpoint()
    from simulator.pseudo_terminal import PseudoTerminal

    return PseudoTerminal()


class ServedProgrammer:
    """A virtual programmer on a port of this machine, in a thread of its own.

    Board time is real time since `start` multiplied by `speed`; the watchdog alone keeps to the host's time.
    `baud` paces the bytes as a serial line would, in board time; 0 does not. The methods for hands on the
    board may be called from any thread.
    """

    def __init__(
        self,
        programmer: VirtualProgrammer,
        endpoint: Endpoint | None = None,
        *,
        speed: float = 1.0,
        baud: int = 0,
    ) -> None:
        if speed <= 0:
            raise ValueError(f"speed is {speed}, not above 0")
        self._programmer = programmer
        self._endpoint = endpoint or pseudo_terminal_or_tcp()
        self._speed = speed
        self._incoming = PacedLine(baud)
        self._outgoing = PacedLine(baud)
        self._unsent = b""
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._stopping = threading.Event()
        self._waker, self._woken = socket.socketpair()
        # select, since poll and kqueue do not serve terminals on every macOS.
        self._selector = selectors.SelectSelector()
        self._watched: dict[Selectable, int] = {}
        self._started_s = 0.0
        programmer.set_host_speed(speed)

    @property
    def port(self) -> str:
        """The path that a host opens: a device file, or `tcp://127.0.0.1:port`."""
        return self._endpoint.path

    def start(self) -> None:
        """Open the port and begin to serve it. Raises OSError when the port cannot be had."""
        self._endpoint.open()
        for end in (self._waker, self._woken):
            end.setblocking(False)
        self._selector.register(self._woken, selectors.EVENT_READ)
        self._started_s = time.monotonic()
        self._thread = threading.Thread(target=self._serve, name=f"simulator {self.port}", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Hang up and end the thread, within 0.2 s. No-op when it was stopped or never started."""
        self._stopping.set()
        self._wake()
        if self._thread is not None:
            self._thread.join(_STOP_S)
            self._thread = None
        self._endpoint.close()
        self._selector.close()
        self._waker.close()
        self._woken.close()

    def now_s(self) -> float:
        """Return the board's time, seconds since `start`."""
        return (time.monotonic() - self._started_s) * self._speed

    # Hands on the board

    def insert(self, chip: Chip, placement: Placement | None = None) -> None:
        """Put a chip into the socket."""
        self._handle(lambda board, now_s: board.insert(chip, now_s, placement))

    def remove(self) -> Chip | None:
        """Take the chip out and return it."""
        return self._handle(lambda board, now_s: board.remove(now_s))

    def open_socket(self) -> None:
        """Lift the socket's lever."""
        self._handle(lambda board, now_s: board.open_socket(now_s))

    def close_socket(self) -> None:
        """Press the socket's lever down."""
        self._handle(lambda board, now_s: board.close_socket(now_s))

    def press_button(self) -> None:
        """Press the board's button."""
        self._handle(lambda board, now_s: board.press_button(now_s))

    def reset(self) -> None:
        """Restart the board."""
        self._handle(lambda board, now_s: board.reset(now_s))

    def turn_trimmer(self, name: SupplyName, volts: float) -> None:
        """Turn a hand-set supply."""
        self._handle(lambda board, now_s: board.turn_trimmer(name, volts, now_s))

    def afflict(self, name: SupplyName, trouble: SupplyTrouble) -> None:
        """Give a supply a trouble."""
        self._handle(lambda board, now_s: board.afflict(name, trouble, now_s))

    def look(self, question: Callable[[VirtualProgrammer, float], T]) -> T:
        """Return what `question` finds on the board at its present time; it must not keep the board."""
        return self._handle(question)

    def _handle(self, action: Callable[[VirtualProgrammer, float], T]) -> T:
        with self._lock:
            result = action(self._programmer, self.now_s())
        self._wake()
        return result

    # The thread

    def _wake(self) -> None:
        try:
            self._waker.send(b"\0")
        except (BlockingIOError, OSError):
            return  # woken already, or closed

    def _serve(self) -> None:
        while not self._stopping.is_set():
            with self._lock:
                wait_s = self._move_bytes()
            self._sleep(wait_s)

    def _move_bytes(self) -> float | None:
        """Move bytes both ways as far as they get now; return how long nothing more is to be done."""
        now_s = self.now_s()
        if len(self._incoming) < _INCOMING_MAX and (data := self._endpoint.read()):
            self._incoming.put(data, now_s)
        if arrived := self._incoming.take(now_s):
            self._programmer.receive(arrived, now_s)
        if not self._unsent and len(self._outgoing) < _OUTGOING_LOW:
            self._outgoing.put(self._programmer.take_output(now_s), now_s)
        self._unsent += self._outgoing.take(now_s)
        if self._unsent:
            self._unsent = self._unsent[self._endpoint.write(self._unsent) :]
        dues_s = [self._programmer.next_deadline_s(), self._incoming.due_s()]
        if not self._unsent:
            dues_s.append(self._outgoing.due_s())
        due_s = min((due_s for due_s in dues_s if due_s is not None), default=None)
        return None if due_s is None else max(0.0, (due_s - self.now_s()) / self._speed)

    def _sleep(self, wait_s: float | None) -> None:
        """Wait until something is to be done: bytes, room for bytes, a hand on the board, or the time."""
        self._watch()
        for key, _ in self._selector.select(wait_s):
            if key.fileobj is self._woken:
                self._woken.recv(4096)

    def _watch(self) -> None:
        """Tell the selector of a host that has come or gone, and of bytes that wait for room."""
        wanted: dict[Selectable, int] = {}
        if len(self._incoming) < _INCOMING_MAX:
            wanted = dict.fromkeys(self._endpoint.readers(), selectors.EVENT_READ)
        if self._unsent:
            for end in self._endpoint.writers():
                wanted[end] = wanted.get(end, 0) | selectors.EVENT_WRITE
        if wanted == self._watched:
            return
        for end in self._watched:
            self._selector.unregister(end)
        for end, events in wanted.items():
            self._selector.register(end, events)
        self._watched = wanted
