"""All programmers of the bench: a worker for each port that may have one, an entry for each that answered."""

import hashlib
import re
import threading
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

import structlog

from daemon.clock import Clock
from daemon.discovery import Candidate, PortWatcher
from daemon.errors import BenchError, Code
from daemon.programmers.port_worker import MakeTransport, Pauses, PortWorker
from daemon.programmers.session import Session, StoppedError
from daemon.programmers.views import ANSWERING, ProgrammerState, ProgrammerView, known_facts
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
        pauses: Pauses | None = None,
        make_worker: Callable[..., PortWorker] = PortWorker,
    ) -> None:
        self._store = store
        self._clock = clock
        self._make_transport = make_transport
        self._baud_rates = baud_rates
        self._do_work = do_work
        self._pauses = pauses
        self._make_worker = make_worker
        self._lock = threading.Lock()
        #: By the path of the port.
        self._workers: dict[str, PortWorker] = {}
        #: The worker that a programmer answered last, by the programmer's id.
        self._owners: dict[str, PortWorker] = {}
        self._views: dict[str, ProgrammerView] = {}
        self._watcher = PortWatcher(
            self._appeared, self._vanished, enumerate=enumerate_ports, interval_s=poll_interval_s, clock=clock
        )

    # Life

    def start(self) -> None:
        """Look for ports, and talk to what is there."""
        self._watcher.start()

    def look(self) -> None:
        """Look for ports once, in the calling thread, where `start` is not wanted."""
        self._watcher.poll()

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
            unknown = [_port_view(worker) for worker in self._workers.values() if not worker.programmer_id]
            return sorted([*self._views.values(), *unknown], key=lambda view: view.id)

    def find(self, wanted: str | None) -> ProgrammerView:
        """Return the programmer with this id or name, or the only one that answers when None.

        Raises BenchError `no-programmer`, `programmer-ambiguous` or `not-found`.
        """
        views = self.views()
        if wanted is not None:
            # An id first: a name can be given before the programmer comes whose id it is.
            found = [view for view in views if view.id == wanted]
            found += [view for view in views if view.name == wanted]
            if not found:
                raise BenchError(
                    Code.NOT_FOUND,
                    f"there is no programmer '{wanted}' on this bench",
                    hint=f"It knows: {', '.join(view.id for view in views) or 'none yet'}.",
                    field="programmer",
                )
            return found[0]
        answering = [view for view in views if view.state in ANSWERING]
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
        return self._talking_to(programmer_id)[0]

    def session_of(self, programmer_id: str) -> Session:
        """Return the conversation with a programmer, to look at. Raises BenchError `programmer-gone`."""
        return self._talking_to(programmer_id)[1]

    def _talking_to(self, programmer_id: str) -> tuple[PortWorker, Session]:
        with self._lock:
            worker = self._owners.get(programmer_id)
        # Once: the worker's thread may end the session at any moment.
        session = worker.session if worker else None
        if worker is not None and session is not None:
            return worker, session
        raise BenchError(
            Code.PROGRAMMER_GONE,
            f"programmer {programmer_id} does not answer at the moment",
            hint="Check its cable and power; the bench goes on looking for it.",
            field="programmer",
        )

    def wake(self, programmer_id: str) -> None:
        """Let a programmer's worker look for work now; one that is not there will look when it is."""
        with self._lock:
            worker = self._owners.get(programmer_id)
        if worker is not None:
            worker.wake()

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
            worker = self._make_worker(
                candidate, self, self._clock, self._make_transport, self._baud_rates, self._pauses
            )
            self._workers[candidate.path] = worker
        _log.info("port appeared", port=candidate.path)
        worker.start()

    def _vanished(self, candidate: Candidate) -> None:
        with self._lock:
            worker = self._workers.pop(candidate.path, None)
            if worker is None:
                return
            gone = BenchError(
                Code.PROGRAMMER_GONE,
                f"its port {candidate.path} is not there any more",
                hint="Plug it in again: at any port, it is known by its serial number.",
            )
            for programmer_id, owner in list(self._owners.items()):
                if owner is worker:
                    del self._owners[programmer_id]
                    self._show(programmer_id, state=ProgrammerState.LOST, problem=gone)
        _log.info("port vanished", port=candidate.path)
        worker.ask_to_stop()
        self._tell("programmer-vanished", worker, ProgrammerState.LOST, gone)

    # The workers' desk (from their threads)

    def connected(self, worker: PortWorker, session: Session) -> str:
        """Give the programmer its identity: its own serial number, else the port's, else the place.

        Raises StoppedError when the port has gone in the meantime, BenchError for a store that does not work.
        """
        with self._lock:
            if self._workers.get(worker.candidate.path) is not worker:
                raise StoppedError
            programmer_id = self._identify(worker, session)
            before = self._owners.get(programmer_id)
            if before is not None and before is not worker:
                before.programmer_id = None
            for other_id, owner in list(self._owners.items()):
                if owner is worker and other_id != programmer_id:
                    # Another one was plugged into this place while nobody looked.
                    del self._owners[other_id]
                    self._show(other_id, state=ProgrammerState.LOST, problem=None)
            self._owners[programmer_id] = worker
        facts = known_facts(session.identity, session.hello)
        path = worker.candidate.path
        record = self._store.programmers.upsert(
            programmer_id, serial=session.identity.serial or None, info={**facts, "path": path}
        )
        with self._lock:
            # Both at once, so that nobody sees the programmer and its nameless port side by side.
            worker.programmer_id = programmer_id
            self._views[programmer_id] = ProgrammerView(
                id=programmer_id, name=record.name, path=path, state=ProgrammerState.READY, **facts
            )
        self._tell("programmer-appeared", worker, ProgrammerState.READY, None, programmer_id)
        return programmer_id

    def changed(self, worker: PortWorker) -> None:
        """Show a worker's new state; one whose programmer has appeared elsewhere since has nothing to say."""
        programmer_id = worker.programmer_id
        with self._lock:
            if self._workers.get(worker.candidate.path) is not worker:
                return
            if programmer_id is not None:
                if self._owners.get(programmer_id) is not worker:
                    return
                self._show(programmer_id, state=worker.state, problem=worker.problem)
        self._tell("programmer-state", worker, worker.state, worker.problem)

    def work(self, worker: PortWorker, session: Session) -> bool:
        """Do the next job of this programmer, if there is one."""
        return self._do_work(worker, session)

    def renamed(self, programmer_id: str, name: str | None) -> None:
        """Show a programmer's new name."""
        with self._lock:
            self._show(programmer_id, name=name)

    def _show(self, programmer_id: str, **changes: Any) -> None:
        view = self._views.get(programmer_id)
        if view is not None:
            self._views[programmer_id] = replace(view, **changes)

    def _identify(self, worker: PortWorker, session: Session) -> str:
        """Return the id of what answered. Of two that give the same serial number, one gets its place added.

        Which of them is remembered: at that place it has the longer id from then on, alone or not.
        """
        candidate = worker.candidate
        wanted = session.identity.serial or candidate.usb_serial or candidate.physical_path or candidate.path
        programmer_id = _slug(wanted)
        place = candidate.physical_path or candidate.path
        with_place = f"{programmer_id}-{hashlib.sha256(place.encode()).hexdigest()[:6]}"
        twin = self._owners.get(programmer_id)
        if twin is not None and twin is not worker and twin.session is not None:
            _log.warning("two programmers give the same serial number", serial=wanted, port=candidate.path)
            return with_place
        if self._owners.get(programmer_id) is not worker and self._store.programmers.find(with_place):
            return with_place
        return programmer_id

    def _tell(
        self,
        what: str,
        worker: PortWorker,
        state: ProgrammerState,
        problem: BenchError | None,
        programmer_id: str | None = None,
    ) -> None:
        """Write an event; a store that cannot take it now does not disturb the worker that tells of it."""
        data = {
            "path": worker.candidate.path,
            "state": state.value,
            "problem": {"code": problem.code, "message": problem.message, "hint": problem.hint}
            if problem
            else None,
        }
        try:
            self._store.events.append(
                NewEvent(what, data, programmer_id=programmer_id or worker.programmer_id)
            )
        except BenchError as error:
            _log.warning("an event could not be recorded", told=what, reason=error.message)


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
