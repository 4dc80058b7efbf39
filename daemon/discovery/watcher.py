"""Says which ports came and which went, from a thread of its own."""

import logging
import threading
from collections.abc import Callable, Iterable

from daemon.clock import Clock, SystemClock
from daemon.discovery.failures import FailureLog
from daemon.discovery.ports import Candidate
from daemon.transport.base import PortKind

INTERVAL_S = 1.0
PATIENCE_S = 0.8

_log = logging.getLogger(__name__)

_Key = tuple[PortKind, str]


class PortWatcher:
    """Polls `enumerate` and reports differences; opening ports and asking who is there is the bench's.

    Both callbacks run in the watcher's thread and should return soon; what they raise is logged and changes
    nothing. A device that is pulled and pushed in again between two looks is not noticed here unless it looks
    different, but an open port is lost by it: then the bench calls `forget`, and the port is reported anew as
    soon as it is there. The same serves a port to be tried again later, such as a TCP port.
    """

    def __init__(
        self,
        on_appeared: Callable[[Candidate], None],
        on_vanished: Callable[[Candidate], None],
        *,
        enumerate: Callable[[], Iterable[Candidate]],
        interval_s: float = INTERVAL_S,
        clock: Clock | None = None,
        patience_s: float = PATIENCE_S,
    ) -> None:
        """`enumerate` lists what is there, a `PortEnumerator`; `interval_s` is the pause between looks.

        `patience_s` is how long `stop` waits for a look to end before it gives it up.
        """
        self._patience_s = patience_s
        self._on_appeared = on_appeared
        self._on_vanished = on_vanished
        self._enumerate = enumerate
        self._interval_s = interval_s
        self._lock = threading.Lock()
        self._known: dict[_Key, Candidate] = {}
        self._failures = FailureLog("looking for ports", _log, clock or SystemClock())
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()

    @property
    def present(self) -> tuple[Candidate, ...]:
        """What was there at the last look and has not been forgotten since."""
        with self._lock:
            return tuple(self._known.values())

    def start(self) -> None:
        """Begin to look, at once and then at each interval. No-op when running."""
        if self._thread is not None:
            return
        with self._lock:
            self._known.clear()
        self._stop = threading.Event()  # its own: a thread that was given up must not come alive again
        self._thread = threading.Thread(
            target=self._run, args=(self._stop,), name="port-watcher", daemon=True
        )
        self._thread.start()

    def stop(self) -> None:
        """End within a second; no callback comes after that. No-op when not running.

        A look that hangs in a driver is given up: its thread ends when the driver lets it.
        """
        thread, self._thread = self._thread, None
        if thread is None:
            return
        self._stop.set()
        if thread is not threading.current_thread():
            thread.join(self._patience_s)
            if thread.is_alive():
                _log.warning("looking for ports hangs in the system; going on without it")

    def poll(self) -> None:
        """Look once, in the calling thread (for a watcher that has not been started)."""
        self._poll(self._stop)

    def forget(self, path: str) -> None:
        """Report the port at `path` as appeared at the next look if it is there then."""
        with self._lock:
            for key in [key for key in self._known if key[1] == path]:
                del self._known[key]

    def _run(self, stop: threading.Event) -> None:
        while not stop.is_set():
            self._poll(stop)
            stop.wait(self._interval_s)

    def _poll(self, stop: threading.Event) -> None:
        try:
            found = {(candidate.kind, candidate.path): candidate for candidate in self._enumerate()}
        except Exception as error:  # whatever it is, the next look may work
            self._failures.failed(error)
            return
        self._failures.succeeded()
        with self._lock:
            if stop.is_set():
                return
            vanished = [old for key, old in self._known.items() if not _is_same(old, found.get(key))]
            appeared = [new for key, new in found.items() if not _is_same(new, self._known.get(key))]
            self._known = found
        for tell, candidates in ((self._on_vanished, vanished), (self._on_appeared, appeared)):
            for candidate in candidates:
                if not stop.is_set():
                    self._tell(tell, candidate)

    def _tell(self, tell: Callable[[Candidate], None], candidate: Candidate) -> None:
        try:
            tell(candidate)
        except Exception:
            _log.exception("handling a change of port %s failed", candidate.path)


def _is_same(one: Candidate, other: Candidate | None) -> bool:
    """Whether two sightings under one path are of one device.

    What is not known is no difference, since the system learns a port's particulars a moment after the port
    is there. `physical_path` does not count: its better form comes late in the same way.
    """
    return other is not None and all(
        a is None or b is None or a == b
        for a, b in (
            (one.usb_serial, other.usb_serial),
            (one.vid, other.vid),
            (one.pid, other.pid),
        )
    )
