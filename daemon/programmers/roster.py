"""All programmers of the bench: a worker for each port that may have one, an entry for each that answered."""

import hashlib
import re
import threading
from collections.abc import Callable, Iterable
from dataclasses import replace

import structlog

from daemon.clock import Clock
from daemon.discovery import Candidate, PortWatcher
from daemon.errors import BenchError, Code
from daemon.programmers.port_worker import MakeTransport, PortWorker
from daemon.programmers.session import Session
from daemon.programmers.views import ProgrammerState, ProgrammerView, known_facts
from daemon.store.model import NewEvent
from daemon.store.store import Store

_log = structlog.get_logger(__name__)
_PLAIN = re.compile(r"[^A-Za-z0-9._-]+")
_STOP_S = 5.0

DoWork = Callable[[PortWorker, Session], bool]


class Roster:
    """Programmers by id. Also the desk to which workers report."""

    def __init__(
        self,
        store: Store,
        clock: Clock,
        *,
        enumerate_ports: Callable[[], Iterable[Candidate]],
        make_transport: MakeTransport,
        baud_rates: tuple[int, ...],
        poll_interval_s: float,
        do_work: DoWork,
    ) -> None:
        self._store = store
        self._clock = clock
        self._make_transport = make_transport
        self._baud_rates = baud_rates
        self._do_work = do_work
        self._lock = threading.Lock()
        self._workers: dict[str, PortWorker] = {}
        self._views: dict[str, ProgrammerView] = {}
        self._watcher = PortWatcher(
            self._appeared, self._vanished, enumerate=enumerate_ports, interval_s=poll_interval_s, clock=clock
        )

    # Life

    def start(self) -> None:
        """Look for ports, and talk to what is there."""
        self._watcher.start()

    def stop(self, timeout_s: float = _STOP_S) -> None:
        """End all workers. Running jobs must have been told to stop before."""
        self._watcher.stop()
        with self._lock:
            workers = list(self._workers.values())
        for worker in workers:
            worker.ask_to_stop()
        until_s = self._clock.monotonic_s() + timeout_s
        for worker in workers:
            if not worker.join(max(0.1, until_s - self._clock.monotonic_s())):
                _log.warning("a port does not let go; leaving it behind", port=worker.candidate.path)

    # Asking

    def views(self) -> list[ProgrammerView]:
        """Return every programmer, and every port whose programmer is not known yet, by id."""
        with self._lock:
            known = {worker.programmer_id for worker in self._workers.values()}
            unknown = [_port_view(worker) for worker in self._workers.values() if not worker.programmer_id]
            gone = [
                replace(view, state=ProgrammerState.LOST) if view.id not in known else view
                for view in self._views.values()
            ]
        return sorted([*gone, *unknown], key=lambda view: view.id)

    def find(self, wanted: str | None) -> ProgrammerView:
        """Return the programmer with this id or name, or the only one that answers when None.

        Raises BenchError `no-programmer`, `programmer-ambiguous` or `not-found`.
        """
        views = self.views()
        if wanted is not None:
            found = [view for view in views if wanted in (view.id, view.name)]
            if not found:
                raise BenchError(
                    Code.NOT_FOUND,
                    f"there is no programmer '{wanted}' on this bench",
                    hint=f"It knows: {', '.join(view.id for view in views) or 'none yet'}.",
                    field="programmer",
                )
            return found[0]
        answering = [view for view in views if view.state in (ProgrammerState.READY, ProgrammerState.BUSY)]
        if len(answering) > 1:
            raise BenchError(
                Code.PROGRAMMER_AMBIGUOUS,
                f"{len(answering)} programmers are connected: {', '.join(view.id for view in answering)}",
                hint="Say which one.",
                field="programmer",
            )
        if not answering:
            raise self._none(views)
        return answering[0]

    def worker_of(self, programmer_id: str) -> PortWorker:
        """Return the worker that talks to a programmer now. Raises BenchError `programmer-gone`."""
        with self._lock:
            for worker in self._workers.values():
                if worker.programmer_id == programmer_id and worker.session is not None:
                    return worker
        raise BenchError(
            Code.PROGRAMMER_GONE,
            f"programmer {programmer_id} does not answer at the moment",
            hint="Check its cable and power; the bench goes on looking for it.",
            field="programmer",
        )

    def _none(self, views: list[ProgrammerView]) -> BenchError:
        troubles = [f"{view.path}: {view.problem.message}" for view in views if view.problem]
        hints = [view.problem.hint for view in views if view.problem and view.problem.hint]
        return BenchError(
            Code.NO_PROGRAMMER,
            "no programmer answers" + (f" ({'; '.join(troubles)})" if troubles else ": no port has one"),
            hint=hints[0]
            if hints
            else "Plug one in, name its port in the settings, or start a simulated one.",
            field="programmer",
        )

    # Ports (from the watcher's thread)

    def _appeared(self, candidate: Candidate) -> None:
        with self._lock:
            if candidate.path in self._workers:
                return
            worker = PortWorker(candidate, self, self._clock, self._make_transport, self._baud_rates)
            self._workers[candidate.path] = worker
        _log.info("port appeared", port=candidate.path)
        worker.start()

    def _vanished(self, candidate: Candidate) -> None:
        with self._lock:
            worker = self._workers.pop(candidate.path, None)
        if worker is None:
            return
        _log.info("port vanished", port=candidate.path)
        worker.ask_to_stop()
        self._tell("programmer-vanished", worker)

    # The workers' desk (from their threads)

    def connected(self, worker: PortWorker, session: Session) -> str:
        """Give the programmer its identity: its own serial number, else the port's, else the place."""
        programmer_id = self._identify(worker, session)
        facts = known_facts(session.identity, session.hello)
        record = self._store.programmers.upsert(
            programmer_id,
            serial=session.identity.serial or None,
            info={**facts, "path": worker.candidate.path},
        )
        view = ProgrammerView(
            id=programmer_id,
            name=record.name,
            path=worker.candidate.path,
            state=ProgrammerState.READY,
            **facts,
        )
        with self._lock:
            self._views[programmer_id] = view
        self._tell("programmer-appeared", worker, programmer_id)
        return programmer_id

    def changed(self, worker: PortWorker) -> None:
        """Show a worker's new state."""
        with self._lock:
            view = self._views.get(worker.programmer_id or "")
            if view is not None:
                self._views[view.id] = replace(view, state=worker.state, problem=worker.problem)
        self._tell("programmer-state", worker)

    def work(self, worker: PortWorker, session: Session) -> bool:
        """Do the next job of this programmer, if there is one."""
        return self._do_work(worker, session)

    def renamed(self, programmer_id: str, name: str | None) -> None:
        """Show a programmer's new name."""
        with self._lock:
            view = self._views.get(programmer_id)
            if view is not None:
                self._views[programmer_id] = replace(view, name=name)

    def _identify(self, worker: PortWorker, session: Session) -> str:
        candidate = worker.candidate
        wanted = session.identity.serial or candidate.usb_serial or candidate.physical_path or candidate.path
        programmer_id = _slug(wanted)
        with self._lock:
            twins = [
                other
                for other in self._workers.values()
                if other is not worker and other.programmer_id == programmer_id and other.session is not None
            ]
        if not twins:
            return programmer_id
        _log.warning("two programmers give the same serial number", serial=wanted, port=candidate.path)
        place = candidate.physical_path or candidate.path
        return f"{programmer_id}-{hashlib.sha256(place.encode()).hexdigest()[:6]}"

    def _tell(self, what: str, worker: PortWorker, programmer_id: str | None = None) -> None:
        problem = worker.problem
        data = {
            "path": worker.candidate.path,
            "state": worker.state.value,
            "problem": {"code": problem.code, "message": problem.message, "hint": problem.hint}
            if problem
            else None,
        }
        self._store.events.append(NewEvent(what, data, programmer_id=programmer_id or worker.programmer_id))


def _slug(text: str) -> str:
    """Return text that can stand in a URL: the serial number or path without its odd characters."""
    plain = _PLAIN.sub("-", text).strip("-.")[:60]
    return plain or hashlib.sha256(text.encode()).hexdigest()[:12]


def _port_view(worker: PortWorker) -> ProgrammerView:
    return ProgrammerView(
        id=f"port-{_slug(worker.candidate.path)}",
        name=None,
        serial="",
        path=worker.candidate.path,
        state=worker.state,
        problem=worker.problem,
    )
