"""The store: one database, one room for each kind of record."""

from collections.abc import Callable
from types import TracebackType
from typing import Self

from daemon.clock import Clock
from daemon.store.batches import Batches
from daemon.store.chip_lots import ChipLots
from daemon.store.database import Database, EventListener
from daemon.store.events import Events
from daemon.store.exposures import Exposures
from daemon.store.idempotency import Idempotency
from daemon.store.images import Images
from daemon.store.jobs import Jobs
from daemon.store.lamps import Lamps
from daemon.store.opening import open_database
from daemon.store.programmers import Programmers
from daemon.store.schema import BENCHES
from daemon.store.tray_checks import TrayChecks

EVENT_KEEP = 100_000
"""How many of this bench's events are kept, unless the settings say otherwise."""


class Store:
    """Records of one bench. Every method of every room may be called from any thread.

    Methods raise BenchError `store-busy`, `store-damaged`, `store-unreachable` or `disk-full` when the
    database fails; then nothing of that call was stored.
    """

    def __init__(
        self, database: Database, clock: Clock, bench_id: str, *, event_keep: int = EVENT_KEEP
    ) -> None:
        self.bench_id = bench_id
        self.database = database
        self.events = Events(database, clock, bench_id, event_keep)
        self.jobs = Jobs(database, self.events, clock, bench_id)
        self.images = Images(database, self.events, clock, bench_id)
        self.programmers = Programmers(database, self.events, clock)
        self.idempotency = Idempotency(database, clock, bench_id)
        self.lamps = Lamps(database, clock, bench_id)
        self.lots = ChipLots(database, clock, bench_id)
        self.exposures = Exposures(database, self.events, clock, bench_id)
        self.tray_checks = TrayChecks(database, self.events, clock, bench_id)
        self.batches = Batches(database, self.events, clock, bench_id)
        self._enrol(clock)

    @classmethod
    def open(cls, url: str, clock: Clock, bench_id: str, *, event_keep: int = EVENT_KEEP) -> Self:
        """Open (make, migrate) the database at `url` for the bench `bench_id`.

        Only one daemon may use a bench id at a time; the lock on its state directory sees to that. Jobs
        left running by a crash are not touched yet: call `jobs.interrupt_running()`. Raises as
        `open_database` does.
        """
        database = open_database(url)
        try:
            return cls(database, clock, bench_id, event_keep=event_keep)
        except BaseException:
            database.close()
            raise

    def on_event(self, listener: EventListener) -> Callable[[], None]:
        """Call `listener(newest_event_id)` after each commit with events; see `Database.on_event`."""
        return self.database.on_event(listener)

    def close(self) -> None:
        """Close the database; a call after that opens it again."""
        self.database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def _enrol(self, clock: Clock) -> None:
        now = clock.utc_now()
        with self.database.write(durable=True) as writing:
            known = writing.connection.execute(
                BENCHES.update().where(BENCHES.c.id == self.bench_id).values(opened_at=now)
            )
            if known.rowcount == 0:
                writing.connection.execute(
                    BENCHES.insert().values(id=self.bench_id, created_at=now, opened_at=now, pruned_through=0)
                )
