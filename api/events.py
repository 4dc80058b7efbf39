"""Event streams: each client pulls numbered events from the store, woken when there are new ones.

The store is the only queue. A client that reads slowly, stalls or comes back after a day costs its connection
and nothing else: what it has not seen yet waits in the store under its number. What the store has pruned
meanwhile is admitted with an explicit `gap` event.
"""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from typing import Any, Protocol

from anyio import to_thread

from api.event_pages import EventPages, Log
from daemon.errors import BenchError, Code
from daemon.store.model import ENDED_STATES, EventRecord, EventType, JobRecord

MAX_STREAMS = 64
"""Streams open at once; a bench has a handful of screens and scripts, so more is a client that leaks them."""

PING_S = 15.0
"""After so long a silence a stream is sent a comment, so that both ends see that the other is there."""

_TOGETHER_S = 0.1
"""Events that come within this time of others reach the streams together."""

BATCH_EVENTS = 200
"""Events taken from the store at once, which bounds what a stream holds in memory."""


class StreamEvent(StrEnum):
    """The types of event that only a stream has, beside those in the store."""

    START = "start"
    """The stream begins now: state fetched after this is complete, changes follow as events."""
    GAP = "gap"
    """Events were lost between the client's position and the next: fetch the state anew."""


class GapReason(StrEnum):
    """Why events are missing."""

    PRUNED = "pruned"
    """Older events are deleted after a while."""
    UNKNOWN_POSITION = "unknown-position"
    """The log does not reach as far as the client's number: another or older store is in its place."""


@dataclass(frozen=True, slots=True)
class StreamItem:
    """One event as it goes out: `id` is where a client resumes after it."""

    id: int
    type: str
    record: EventRecord | None = None
    data: dict[str, Any] | None = None


class EventLog(Protocol):
    """What streams need of the bench; all of it may be called from any thread."""

    def events_after(
        self, last_id: int, *, limit: int = ..., job_id: str | None = None
    ) -> tuple[Sequence[EventRecord], bool]:
        """Return at most `limit` events above `last_id`, oldest first, and whether some before are lost."""

    def newest_event_id(self) -> int:
        """Return the highest number given so far, 0 if none."""

    def job(self, job_id: str) -> JobRecord:
        """Return a job; BenchError `not-found`."""

    def on_event(self, callback: Callable[[int], None]) -> Callable[[], None]:
        """Call `callback` in any thread after each commit with events; return how to stop it."""


class EventHub:
    """Wakes the open streams, counts them, and ends them all when the server stops."""

    def __init__(self, log: EventLog, max_streams: int = MAX_STREAMS) -> None:
        self._log = log
        self._pages = EventPages(log)
        self._max_streams = max_streams
        self._rung_s = float("-inf")
        self._will_ring = False
        self._bell = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._unsubscribe: Callable[[], None] = lambda: None
        self._closing = False
        self.open_streams = 0

    def start(self) -> None:
        """Begin to listen; called on the event loop that serves the streams."""
        self._loop = asyncio.get_running_loop()
        self._unsubscribe = self._pages.on_event(self._log.on_event, self._ring_from_any_thread)

    def stop(self) -> None:
        """End all streams and listen no more; called on the event loop."""
        self._unsubscribe()
        self.close()
        self._loop = None

    def close(self) -> None:
        """End all streams; safe from any thread and from a signal handler."""
        self._closing = True
        self._ring_from_any_thread()

    def require_job(self, job_id: str) -> None:
        """Raise BenchError `not-found` when there is no such job."""
        self._log.job(job_id)

    @contextlib.contextmanager
    def slot(self) -> Iterator[None]:
        """Hold one of the places for streams. Raises BenchError `streams-full` or `bench-stopping`."""
        if self._closing:
            raise BenchError(Code.BENCH_STOPPING, "The bench daemon is stopping.", hint="Start it again.")
        if self.open_streams >= self._max_streams:
            raise BenchError(
                Code.STREAMS_FULL,
                f"{self.open_streams} event streams are open already.",
                hint="Close one; a program needs one for the whole bench, not one for each job.",
                details={"limit": self._max_streams},
            )
        self.open_streams += 1
        try:
            yield
        finally:
            self.open_streams -= 1

    async def batches(self, after: int | None, job_id: str | None = None) -> AsyncIterator[list[StreamItem]]:
        """Give the events after number `after`, then new ones as they come, until closing.

        What is there at once comes together, and an empty list after `PING_S` of silence. None begins at the
        oldest event of a job, and with the next new one for the whole bench. The stream of a job ends after
        its last event. Raises BenchError `not-found` for a job that is not there.
        """
        if after is None and job_id is None:
            after = await to_thread.run_sync(self._log.newest_event_id)
            yield [StreamItem(after, StreamEvent.START, data={"newest_event_id": after})]
        position = _Position(after or 0, job_id)
        while not self._closing:
            bell = self._bell  # taken before reading, so that an event in between rings this very bell
            if job_id is None and self._pages.has(position.last_id, BATCH_EVENTS):
                items, finished = position.advance(self._pages)
            else:
                items, finished = await to_thread.run_sync(partial(position.advance, self._pages))
            if items:
                yield items
            if finished:
                return
            if not items and not self._closing and not await _rang(bell):
                yield []

    def _ring_from_any_thread(self, newest_id: int = 0) -> None:
        loop = self._loop
        if loop is not None:
            with contextlib.suppress(RuntimeError):  # the loop ended between the two lines
                loop.call_soon_threadsafe(self._ring)

    def _ring(self) -> None:
        """Wake the streams, but not for each event where they come thick: they all have work with each."""
        if self._will_ring:
            return
        loop = asyncio.get_running_loop()
        wait_s = 0.0 if self._closing else self._rung_s + _TOGETHER_S - loop.time()
        if wait_s <= 0:
            self._ring_now()
        else:
            self._will_ring = True
            loop.call_later(wait_s, self._ring_now)

    def _ring_now(self) -> None:
        self._will_ring = False
        self._rung_s = asyncio.get_running_loop().time()
        self._bell.set()
        self._bell = asyncio.Event()


async def _rang(bell: asyncio.Event) -> bool:
    """Wait for the bell; False when it has not rung for so long that a ping is due."""
    try:
        await asyncio.wait_for(bell.wait(), PING_S)
    except TimeoutError:
        return False
    return True


class _Position:
    """How far one stream has read."""

    def __init__(self, last_id: int, job_id: str | None) -> None:
        self._last_id = last_id
        self._job_id = job_id
        self._at_the_start = job_id is not None and last_id == 0

    @property
    def last_id(self) -> int:
        """The number of the last event that it has read."""
        return self._last_id

    def advance(self, log: Log) -> tuple[list[StreamItem], bool]:
        """Read the next events; say whether they are the last that will ever come."""
        # Asked before reading: an end seen here has its event in the log already.
        ended = self._job_id is not None and log.job(self._job_id).state in ENDED_STATES
        newest_id = log.newest_event_id()
        items: list[StreamItem] = []
        if self._last_id > newest_id:
            items.append(self._gap(GapReason.UNKNOWN_POSITION, newest_id if self._job_id is None else 0))
        records, missed = log.events_after(self._last_id, limit=BATCH_EVENTS, job_id=self._job_id)
        if self._at_the_start:
            # Events pruned before the job was made are no loss; its own first event tells.
            missed = not (records and records[0].type == EventType.JOB_CREATED)
            self._at_the_start = False
        if missed and not items:
            items.append(self._gap(GapReason.PRUNED, records[0].id - 1 if records else newest_id))
        items.extend(StreamItem(record.id, record.type, record) for record in records)
        # A job's stream moves on over other jobs' events, so that pruning those is not taken for a loss.
        self._last_id = records[-1].id if records else max(self._last_id, newest_id)
        return items, ended and len(records) < BATCH_EVENTS

    def _gap(self, reason: GapReason, resumed_after: int) -> StreamItem:
        data = {"after": self._last_id, "resumed_after": resumed_after, "reason": str(reason)}
        self._last_id = resumed_after
        return StreamItem(resumed_after, StreamEvent.GAP, data=data)
