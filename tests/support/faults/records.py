"""The store's rows as they lie in the file, read with SQLite itself and none of the daemon's code."""

import contextlib
import json
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True, slots=True)
class JobRow:
    """One row of the table of jobs."""

    id: str
    number: int
    kind: str
    state: str
    steps: list[dict[str, Any]]
    outcome: dict[str, Any] | None
    ended_at: str | None

    @property
    def code(self) -> str:
        """The code of its outcome, empty without one."""
        return str((self.outcome or {}).get("code", ""))

    @property
    def numbers(self) -> dict[str, Any]:
        """The numbers of its outcome."""
        return dict((self.outcome or {}).get("numbers") or {})


@dataclass(frozen=True, slots=True)
class EventRow:
    """One row of the table of events."""

    id: int
    job_id: str | None
    type: str
    data: dict[str, Any]


class Records:
    """A reader of one database file."""

    def __init__(self, database: Path) -> None:
        self._connection = sqlite3.connect(f"file:{database}?mode=ro", uri=True, isolation_level=None)

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def job(self, job_id: str) -> JobRow:
        """Return one job. LookupError for one that is not there."""
        found = self._jobs("WHERE id = ?", job_id)
        if not found:
            raise LookupError(f"job {job_id} is not in the records")
        return found[0]

    def state_of(self, job_id: str) -> str:
        """Return the state of a job; empty for one that is not there."""
        row = self._connection.execute("SELECT state FROM jobs WHERE id = ?", (job_id,)).fetchone()
        return row[0] if row else ""

    def jobs(self) -> list[JobRow]:
        """Return all jobs in order of their numbers."""
        return self._jobs("")

    def events(self, after: int = 0) -> list[EventRow]:
        """Return all events after one, in order."""
        rows = self._connection.execute(
            "SELECT id, job_id, type, data FROM events WHERE id > ? ORDER BY id", (after,)
        )
        return [EventRow(*row[:3], json.loads(row[3])) for row in rows]

    def images(self) -> list[str]:
        """Return the digests of all images."""
        return [row[0] for row in self._connection.execute("SELECT sha256 FROM images")]

    def _jobs(self, where: str, *values: str) -> list[JobRow]:
        rows = self._connection.execute(
            f"SELECT id, number, kind, state, steps, outcome, ended_at FROM jobs {where} ORDER BY number",
            values,
        )
        return [
            JobRow(*row[:4], json.loads(row[4]), json.loads(row[5]) if row[5] else None, row[6])
            for row in rows
        ]


@contextlib.contextmanager
def records_of(database: Path):
    """Yield a reader that is closed at the end."""
    records = Records(database)
    try:
        yield records
    finally:
        records.close()
