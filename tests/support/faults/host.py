"""The daemon as one process without threads, over a state folder: opened, used, dropped where it stands."""

import contextlib
import shutil
import sqlite3
from collections.abc import Callable, Iterable
from enum import Enum, auto
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import OperationalError

from daemon.adapters.files import Adapters
from daemon.catalogue.loader import Catalogue
from daemon.clock import Clock
from daemon.discovery import Candidate
from daemon.image_shelf import ImageShelf
from daemon.jobs.desk import JobDesk
from daemon.jobs.planning import Planner
from daemon.jobs.runner import Runner
from daemon.programmers.leases import Leases
from daemon.programmers.port_worker import PortWorker
from daemon.programmers.roster import Roster
from daemon.state_dir import claim
from daemon.store.blobs import Blobs
from daemon.store.store import Store
from daemon.transport.base import Transport

_IMAGE_MAX_BYTES = 1 << 20


class HostCrash(BaseException):
    """The host has died at this very point. No `except Exception` of the daemon sees it, as with SIGKILL."""


class Illness(Enum):
    """What is wrong with the disk that the records lie on."""

    READ_ONLY = auto()
    """Every write fails, as on a file system that was remounted read-only."""
    FULL = auto()
    """Nothing more fits: what needs a new page fails."""
    COMMIT_FAILS = auto()
    """Writes go well and the commit reports an error of the disk."""


NoteBusy = Callable[[PortWorker, bool], None]


class StillWorker(PortWorker):
    """A port's worker without its thread: whoever made it calls `attempt`."""

    note_busy: NoteBusy

    def start(self) -> None:
        """Wait to be called."""

    def set_busy(self, busy: bool) -> None:
        """Let the world know, too."""
        self.note_busy(self, busy)
        super().set_busy(busy)


class Host:
    """All that a daemon is made of, but threads and HTTP.

    `at_commit` is called before each commit, and may raise `HostCrash`.
    """

    def __init__(
        self,
        folder: Path,
        clock: Clock,
        catalogue: Catalogue,
        *,
        ports: Callable[[], Iterable[Candidate]],
        make_transport: Callable[[Candidate, int], Transport],
        at_commit: Callable[[], None],
        note_busy: NoteBusy,
    ) -> None:
        self.illness: Illness | None = None
        self.workers: dict[str, StillWorker] = {}
        self._at_commit = at_commit
        self._note_busy = note_busy
        self._held = contextlib.ExitStack()
        try:
            self._open(folder, clock, catalogue, ports, make_transport)
        except BaseException:
            self._held.close()
            raise

    def _open(
        self,
        folder: Path,
        clock: Clock,
        catalogue: Catalogue,
        ports: Callable[[], Iterable[Candidate]],
        make_transport: Callable[[Candidate, int], Transport],
    ) -> None:
        self._ports = ports
        dirs = self._held.enter_context(claim(folder / "state", folder / "state"))
        self.blobs = Blobs(dirs.state_dir / "images")
        self.leftovers = self.blobs.open()
        self.store = self._held.enter_context(
            Store.open(f"sqlite:///{database_of(folder)}", clock, dirs.bench_id)
        )
        self._watch_commits()
        self.shelf = ImageShelf(self.store, self.blobs, _IMAGE_MAX_BYTES)
        self.leases = Leases(clock)
        runner = Runner(
            self.store, clock, catalogue, lambda part, data: self.shelf.keep_read(data, part.name)
        )
        self.desk = JobDesk(self.store, Planner(catalogue, self.shelf, Adapters(None)), self.leases, runner)
        self.roster = Roster(
            self.store,
            clock,
            enumerate_ports=ports,
            make_transport=make_transport,
            baud_rates=(115200,),
            poll_interval_s=1.0,
            do_work=self.desk.work,
            make_worker=self._worker,
        )
        self.desk.roster = self.roster
        self.interrupted = self.store.jobs.interrupt_running()

    def _worker(self, candidate: Candidate, *others: object) -> PortWorker:
        worker = StillWorker(candidate, *others)  # type: ignore[arg-type]
        worker.note_busy = self._note_busy
        self.workers[candidate.path] = worker
        return worker

    def turn(self) -> None:
        """Look for ports and serve the one that is there until the connection ends; raises what ended it."""
        self.roster.look()
        there = {candidate.path for candidate in self._ports()}
        self.workers = {path: worker for path, worker in self.workers.items() if path in there}
        for worker in list(self.workers.values()):
            worker.attempt()

    def stop(self) -> None:
        """Let `turn` return."""
        for worker in self.workers.values():
            worker.ask_to_stop()

    def leave(self) -> None:
        """Give everything back that the system takes back from a process that has died."""
        engine = self.store.database.engine
        engine.dispose()
        self._held.close()

    def _watch_commits(self) -> None:
        engine = self.store.database.engine
        sa.event.listen(engine, "checkout", self._taken)
        sa.event.listen(engine, "commit", self._committing)

    def _taken(self, connection: Any, record: Any, _proxy: object) -> None:
        """Make a connection as ill as the disk is."""
        ill = self.illness
        if record.info.get("illness") is not ill:
            record.info["illness"] = ill
            connection.execute(f"PRAGMA query_only = {int(ill is Illness.READ_ONLY)}")
            # SQLite takes a limit below what is there as what is there.
            connection.execute(f"PRAGMA max_page_count = {1 if ill is Illness.FULL else 1 << 30}")

    def _committing(self, connection: sa.Connection) -> None:
        if connection.get_execution_options().get("bench_write") is None:
            return
        self._at_commit()
        if self.illness is Illness.COMMIT_FAILS:
            said = sqlite3.OperationalError("disk I/O error")
            said.sqlite_errorcode = sqlite3.SQLITE_IOERR
            raise OperationalError("COMMIT", {}, said)


def database_of(folder: Path) -> Path:
    """Return the file of the records under a state folder."""
    return folder / "state" / "bench.db"


def copy_as_it_lies(folder: Path, to: Path) -> None:
    """Copy a state folder as a process that dies now leaves it: open transactions are in no file's truth."""
    shutil.copytree(folder, to, ignore=shutil.ignore_patterns("*-shm", "*.lock"))
