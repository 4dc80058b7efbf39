"""Pages of the event log that many streams want at once, read once."""

import threading
from collections.abc import Callable, Sequence
from typing import Protocol, TypeVar

from daemon.store.model import EventRecord, JobRecord

T = TypeVar("T")
Page = tuple[Sequence[EventRecord], bool]


class Log(Protocol):
    """What is read."""

    def events_after(self, last_id: int, *, limit: int = ..., job_id: str | None = None) -> Page:
        """Return at most `limit` events above `last_id`, oldest first, and whether some before are lost."""

    def newest_event_id(self) -> int:
        """Return the highest number given so far, 0 if none."""

    def job(self, job_id: str) -> JobRecord:
        """Return a job; BenchError `not-found`."""


class EventPages:
    """The log for streams that stand at the same place; what one has read, the others get, until `forget`.

    Thread-safe. Fifty streams that each asked the store for each event would keep it busy with nothing else.
    """

    def __init__(self, log: Log) -> None:
        self._log = log
        self._lock = threading.Lock()
        #: One reads at a time: the others mostly find what they want when it is their turn, and leave the
        #: store's connections to those that write.
        self._reading = threading.Lock()
        self._generation = 0
        self._newest: int | None = None
        self._pages: dict[tuple[int, int], Page] = {}

    def forget(self) -> None:
        """Note that there are new events: all is read anew. To be called after each commit of some."""
        with self._lock:
            self._generation += 1
            self._newest = None
            self._pages.clear()

    def has(self, last_id: int, limit: int) -> bool:
        """Whether what a stream at this place wants is here, so that nothing has to be waited for."""
        with self._lock:
            return self._newest is not None and (last_id, limit) in self._pages

    def newest_event_id(self) -> int:
        """Return the highest number given so far, 0 if none."""
        with self._reading:
            with self._lock:
                known, generation = self._newest, self._generation
            if known is not None:
                return known
            newest = self._log.newest_event_id()
            with self._lock:
                # What was read before an event came must not be kept after it.
                if generation == self._generation:
                    self._newest = newest
            return newest

    def events_after(self, last_id: int, *, limit: int = 200, job_id: str | None = None) -> Page:
        """Return at most `limit` events above `last_id`, oldest first, and whether some before are lost."""
        if job_id is not None:
            return self._log.events_after(last_id, limit=limit, job_id=job_id)
        with self._reading:
            with self._lock:
                known, generation = self._pages.get((last_id, limit)), self._generation
            if known is not None:
                return known
            page = self._log.events_after(last_id, limit=limit)
            with self._lock:
                if generation == self._generation:
                    self._pages[last_id, limit] = page
            return page

    def job(self, job_id: str) -> JobRecord:
        """Return a job; BenchError `not-found`."""
        return self._log.job(job_id)

    def on_event(self, subscribe: Callable[[Callable[[int], None]], T], tell: Callable[[int], None]) -> T:
        """Subscribe `tell`, with what is known forgotten first each time."""

        def forget_and_tell(newest_id: int) -> None:
            self.forget()
            tell(newest_id)

        return subscribe(forget_and_tell)
