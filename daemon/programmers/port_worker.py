"""One thread for one port: opens it, says HELLO, and does one job after another with what answers."""

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import structlog
import tenacity

from daemon.clock import Clock
from daemon.discovery.ports import Candidate
from daemon.errors import BenchError, Code
from daemon.programmers.session import Session, StoppedError, StopSignal
from daemon.programmers.views import ProgrammerState
from daemon.transport.base import PortKind, Transport

_log = structlog.get_logger(__name__)

#: A board that restarts when its port is opened is given this long before it is spoken to.
_BOOT_S = 2.0
_HELLO_S = 2.5
_LISTEN_S = 0.5
#: A link that held this long was a good one: when it is lost, trying again begins anew with short pauses.
_GOOD_S = 30.0

#: What answers nothing, or another language, may be something else altogether: opening its port can restart
#: it, and nobody else can use the port meanwhile. So it is left alone for longer.
_STRANGERS = frozenset({Code.DEVICE_SILENT, Code.DEVICE_VERSION, Code.DEVICE_VIOLATION})


#: Pseudo-terminals of Linux and of macOS.
_NO_LINES = ("/dev/pts/", "/dev/ttys")


@dataclass(frozen=True, slots=True)
class Pauses:
    """Pauses between attempts to reach a programmer, seconds: doubled each time, from `first_s` on.

    `longest_s` is the cap for a port that cannot be opened, and for a programmer that was lost;
    `stranger_s` the one for a port on which no programmer answers.
    """

    first_s: float = 0.5
    longest_s: float = 10.0
    stranger_s: float = 60.0


class Desk(Protocol):
    """Whom a worker reports to, and who gives it work. Called from the worker's thread."""

    def connected(self, worker: "PortWorker", session: Session) -> str:
        """Take note of the programmer that answered and return its id."""

    def changed(self, worker: "PortWorker") -> None:
        """Take note that the worker's state or problem changed."""

    def work(self, worker: "PortWorker", session: Session) -> bool:
        """Do the next job of this worker's programmer, if there is one; return whether there was."""


MakeTransport = Callable[[Candidate, int], Transport]


class PortWorker:
    """The only thing that touches its port."""

    def __init__(
        self,
        candidate: Candidate,
        desk: Desk,
        clock: Clock,
        make_transport: MakeTransport,
        baud_rates: tuple[int, ...],
        pauses: Pauses | None = None,
    ) -> None:
        self.candidate = candidate
        self.programmer_id: str | None = None
        self.state = ProgrammerState.CONNECTING
        self.problem: BenchError | None = None
        self.session: Session | None = None
        self.baud = baud_rates[0]
        self._desk = desk
        self._clock = clock
        self._make_transport = make_transport
        self._baud_rates = baud_rates if candidate.kind is PortKind.SERIAL else baud_rates[:1]
        self._pauses = pauses or Pauses()
        self._stopping = threading.Event()
        self._connecting = StopSignal()
        self._thread = threading.Thread(target=self._run, name=f"port {candidate.path}", daemon=True)

    @property
    def wire_bytes_per_s(self) -> float | None:
        """What the line carries; None where it is faster than it matters (USB, TCP, pseudo-terminals)."""
        real = self.candidate.kind is PortKind.SERIAL and not self.candidate.path.startswith(_NO_LINES)
        return self.baud / 10 if real else None

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def wake(self) -> None:
        """Look for work now."""
        session = self.session
        if session is not None:
            session.wake()

    def ask_to_stop(self) -> None:
        """End soon; a running job is stopped by its own control, not here."""
        self._stopping.set()
        self._connecting.ask()
        self.wake()

    def join(self, timeout_s: float) -> bool:
        """Wait for the end; return whether it came. A worker that hangs in a driver is given up."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def set_busy(self, busy: bool) -> None:
        """Show that a job runs, or that it has ended."""
        self._set(ProgrammerState.BUSY if busy else ProgrammerState.READY, None)

    # The thread

    def _run(self) -> None:
        with structlog.contextvars.bound_contextvars(port=self.candidate.path):
            while not self._stopping.is_set():
                self._try_until_good()

    def _try_until_good(self) -> None:
        """Reach the programmer and serve it, again and again, until it was served for long or we are to stop.

        Whatever goes wrong, the port is tried again: a thread that ended would leave it dead until a restart.
        """
        retrying = tenacity.Retrying(
            wait=self._pause_s,
            stop=tenacity.stop_when_event_set(self._stopping),
            sleep=tenacity.sleep_using_event(self._stopping),
            reraise=True,
        )
        try:
            retrying(self.attempt)
        except Exception as error:
            # Only when we are to stop: before that, every failure is tried again.
            _log.debug("the port is given up", reason=str(error))

    def _pause_s(self, state: tenacity.RetryCallState) -> float:
        error = state.outcome.exception() if state.outcome else None
        stranger = isinstance(error, BenchError) and error.code in _STRANGERS
        longest_s = self._pauses.stranger_s if stranger else self._pauses.longest_s
        return float(tenacity.wait_exponential(self._pauses.first_s, longest_s)(state))

    def attempt(self) -> None:
        """Reach the programmer and serve it, in the calling thread.

        Raises what ended the connection; returns when it had been a good one, or when told to stop.
        """
        began_s = self._clock.monotonic_s()
        try:
            session = self._connect()
            began_s = self._clock.monotonic_s()
            try:
                self._serve(session)
            finally:
                self.session = None
                session.close()
        except StoppedError:
            return
        except BenchError as error:
            self._lost(error)
            if self._clock.monotonic_s() - began_s < _GOOD_S:
                raise
        except Exception as error:
            unforeseen = BenchError(
                Code.INTERNAL,
                f"unforeseen: {type(error).__name__}: {error}",
                hint="Please report this with the daemon's log.",
            )
            if self.problem is None or self.problem.message != unforeseen.message:
                _log.exception("worker failed; the port is closed and opened again")
            self._lost(unforeseen)
            raise

    def _lost(self, error: BenchError) -> None:
        if self._stopping.is_set():
            return
        was_there = self.programmer_id is not None
        if was_there and self.state is not ProgrammerState.LOST:
            _log.warning("programmer lost", reason=error.message)
        self._set(ProgrammerState.LOST if was_there else ProgrammerState.REFUSED, error)

    def _connect(self) -> Session:
        """Say HELLO at each baud rate, the last good one first; raise the problem when none is answered."""
        problem: BenchError | None = None
        for baud in sorted(self._baud_rates, key=lambda rate: rate != self.baud):
            if self._stopping.is_set():
                raise StoppedError
            try:
                session = self._hello(baud)
            except BenchError as error:
                problem = error
                if error.code is not Code.DEVICE_SILENT:
                    break
            else:
                self.baud = baud
                return session
        assert problem is not None
        raise problem

    def _hello(self, baud: int) -> Session:
        transport = self._make_transport(self.candidate, baud)
        transport.open()
        session = Session(transport, self._clock)
        try:
            session.attend(self._connecting)
            # Only a USB serial adapter is likely to have restarted a board just now.
            restarted = self.candidate.kind is PortKind.SERIAL and self.candidate.vid is not None
            session.connect(quiet_s=_BOOT_S if restarted else 0.0, timeout_s=_HELLO_S)
        except BaseException:
            session.close()
            raise
        return session

    def _serve(self, session: Session) -> None:
        session.attend(StopSignal())
        self.session = session
        self.programmer_id = self._desk.connected(self, session)
        self._set(ProgrammerState.READY, None)
        while not self._stopping.is_set() and session.alive:
            if not self._desk.work(self, session):
                session.listen(_LISTEN_S)
        if not self._stopping.is_set():
            raise BenchError(
                Code.LINK_LOST,
                "the link to the programmer was lost during a job",
                hint="Check cable and power.",
            )

    def _set(self, state: ProgrammerState, problem: BenchError | None) -> None:
        told = (self.state, self.problem and self.problem.code) != (state, problem and problem.code)
        self.state, self.problem = state, problem
        if told:
            self._desk.changed(self)
