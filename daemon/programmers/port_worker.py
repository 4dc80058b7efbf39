"""One thread for one port: opens it, says HELLO, and does one job after another with what answers."""

import threading
from collections.abc import Callable
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
_FIRST_RETRY_S, _LONGEST_RETRY_S = 0.5, 10.0

#: Trying again cannot help these: somebody has to change something first, and then the port appears anew.
_FINAL = frozenset({Code.DEVICE_VERSION})


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
        self._stopping = threading.Event()
        self._connecting = StopSignal()
        self._thread = threading.Thread(target=self._run, name=f"port {candidate.path}", daemon=True)

    @property
    def wire_bytes_per_s(self) -> float | None:
        """What the line carries; None where it is faster than it matters (USB, TCP, pseudo-terminals)."""
        real = self.candidate.kind is PortKind.SERIAL and not self.candidate.path.startswith("/dev/pts/")
        return self.baud / 10 if real else None

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def wake(self) -> None:
        """Look for work now."""
        if self.session is not None:
            self.session.wake()

    def ask_to_stop(self) -> None:
        """End soon; a running job is stopped by its own control, not here."""
        self._stopping.set()
        self._connecting.ask()
        self.wake()

    def join(self, timeout_s: float) -> bool:
        """Wait for the end; return whether it came. A worker that hangs in a driver is given up."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        with structlog.contextvars.bound_contextvars(port=self.candidate.path):
            while not self._stopping.is_set():
                session = self._connect()
                if session is None:
                    return
                try:
                    self._serve(session)
                except StoppedError:
                    pass
                except BenchError as error:
                    self._set(ProgrammerState.LOST, error)
                    _log.warning("programmer lost", reason=error.message)
                except Exception:
                    _log.exception("worker failed; the port is closed and opened again")
                finally:
                    self.session = None
                    session.close()

    def _connect(self) -> Session | None:
        """Try to reach a programmer until one answers; None when told to stop or when trying is useless."""
        retrying = tenacity.Retrying(
            retry=tenacity.retry_if_exception(lambda e: isinstance(e, BenchError) and e.code not in _FINAL),
            wait=tenacity.wait_exponential(multiplier=_FIRST_RETRY_S, max=_LONGEST_RETRY_S),
            stop=tenacity.stop_when_event_set(self._stopping),
            sleep=tenacity.sleep_using_event(self._stopping),
            reraise=True,
        )
        try:
            return retrying(self._try_once)
        except StoppedError:
            return None
        except BenchError as error:
            if not self._stopping.is_set():
                self._set(ProgrammerState.REFUSED, error)
            return None

    def _try_once(self) -> Session:
        problem: BenchError | None = None
        for baud in self._baud_rates:
            if self._stopping.is_set():
                raise StoppedError
            try:
                session = self._hello(baud)
            except BenchError as error:
                problem = error
                if error.code is not Code.DEVICE_SILENT:
                    break
            else:
                self.baud, self.problem = baud, None
                return session
        assert problem is not None
        was_there = self.programmer_id is not None
        self._set(ProgrammerState.LOST if was_there else ProgrammerState.REFUSED, problem)
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
        if not session.alive and not self._stopping.is_set():
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

    def set_busy(self, busy: bool) -> None:
        """Show that a job runs, or that it has ended."""
        self._set(ProgrammerState.BUSY if busy else ProgrammerState.READY, None)
