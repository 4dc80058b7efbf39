"""One open database: reads from any thread, one write at a time, and word of each committed event."""

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from sqlalchemy.engine import Connection, Engine
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from daemon.errors import BenchError, Code
from daemon.store.dialects import DURABLE, PROGRESS, WRITE_OPTION, as_bench_error

_log = logging.getLogger(__name__)

EventListener = Callable[[int], None]
"""Gets the newest event id of a transaction, after its commit, in the thread that wrote."""


@dataclass(slots=True)
class Writing:
    """A write transaction in progress. `newest_event_id` is set by whoever appends events (0: none)."""

    connection: Connection
    newest_event_id: int = 0


class Database:
    """Transactions on one engine. Thread-safe; closed by `close`."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        # One bench has one writer at a time: so its event ids become visible in the order they were given, on
        # PostgreSQL too, and on SQLite threads wait here in line instead of polling for the file's lock.
        self._write_lock = threading.Lock()
        self._listeners_lock = threading.Lock()
        self._listeners: tuple[EventListener, ...] = ()

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """Give a connection to read with. Raises BenchError `store-...`."""
        with self._explained(), self.engine.connect() as connection:
            yield connection

    @contextmanager
    def snapshot(self) -> Iterator[Connection]:
        """Give a connection whose reads all see one moment, however long they take."""
        with self._explained(), self.engine.connect() as plain:
            connection = plain
            if plain.dialect.name == "postgresql":
                connection = plain.execution_options(isolation_level="REPEATABLE READ")
            # On SQLite a transaction that reads sees the moment of its first read.
            yield connection

    @contextmanager
    def write(self, *, durable: bool) -> Iterator[Writing]:
        """Give a transaction that is committed at the end, or undone if the block raises.

        `durable`: on the medium when this returns (see `daemon.store.dialects`). Not reentrant.
        Raises BenchError `store-...` or `disk-full`.
        """
        with self._write_lock, self._explained(), self.engine.connect() as plain:
            connection = plain.execution_options(**{WRITE_OPTION: DURABLE if durable else PROGRESS})
            with connection.begin():
                writing = Writing(connection)
                yield writing
        if writing.newest_event_id:
            self._tell(writing.newest_event_id)

    def on_event(self, listener: EventListener) -> Callable[[], None]:
        """Call `listener` after each commit that held events; returns the way to stop it.

        It runs in the writing thread, with no lock held, and must return at once (set a flag, wake a loop).
        Calls from several threads may come in another order than the ids: keep the highest.
        """
        with self._listeners_lock:
            self._listeners = (*self._listeners, listener)

        def stop() -> None:
            with self._listeners_lock:
                self._listeners = tuple(other for other in self._listeners if other is not listener)

        return stop

    def close(self) -> None:
        """Close every connection; on SQLite this also folds the write-ahead log into the file."""
        self.engine.dispose()

    def _tell(self, event_id: int) -> None:
        for listener in self._listeners:
            try:
                listener(event_id)
            except Exception:  # the write is done: a deaf listener must not turn it into a failure
                _log.exception("an event listener failed")

    @contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            yield
        except DBAPIError as error:
            known = as_bench_error(error, self.engine.url)
            if known is None:
                raise
            raise known from error
        except PoolTimeoutError as error:
            raise BenchError(
                Code.STORE_BUSY, "every connection to the database is in use", hint="try again in a moment"
            ) from error
