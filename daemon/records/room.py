"""The room of records: finding, giving out, backing up. It only reads the store."""

from collections.abc import Iterator
from pathlib import Path

from daemon.clock import Clock
from daemon.records.archive import Manifest
from daemon.records.backup import OwnFiles, make_backup
from daemon.records.export import as_csv, as_json
from daemon.records.model import Page, Search
from daemon.records.search import find
from daemon.records.tables import Table, columns_of, rows_of
from daemon.store.blobs import Blobs
from daemon.store.store import Store


class RecordRoom:
    """What was done at this bench. Thread-safe."""

    def __init__(self, store: Store, blobs: Blobs, own: OwnFiles, clock: Clock) -> None:
        self._database = store.database
        self._bench_id = store.bench_id
        self._blobs = blobs
        self._own = own
        self._clock = clock

    def find(self, search: Search, *, limit: int = 50, before: int | None = None) -> Page:
        """Return records, newest first; go on with `before` as the page before says."""
        with self._database.read() as connection:
            return find(connection, self._bench_id, search, limit=limit, before=before)

    def csv(self, table: Table, search: Search) -> Iterator[bytes]:
        """Yield a table as CSV, in pieces, as it is at this moment."""
        with self._database.snapshot() as connection:
            yield from as_csv(columns_of(table), rows_of(connection, self._bench_id, table, search))

    def json(self, table: Table, search: Search) -> Iterator[bytes]:
        """Yield a table as a JSON array, in pieces, as it is at this moment."""
        with self._database.snapshot() as connection:
            yield from as_json(rows_of(connection, self._bench_id, table, search))

    def back_up(self, path: Path) -> Manifest:
        """Write a backup that has been read again and compared. Raises as `make_backup` does."""
        now = self._clock.utc_now()
        return make_backup(path, self._database, self._blobs, self._own, self._bench_id, now)
