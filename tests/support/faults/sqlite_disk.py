"""What SQLite writes and syncs for the store's own statements, so that the power can be cut between any two.

The statements that a store makes are taken down as SQLite sees them, and given again to a SQLite whose files
are watched (through apsw, which lets Python stand between SQLite and its files).
"""

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import apsw
import sqlalchemy as sa

from daemon.store.store import Store
from tests.support.faults.power_cut import Operation, Recording

Script = list[str | tuple[str, Any]]
"""Statements, and between them what was promised when all before was done: ("promised", what)."""


@contextlib.contextmanager
def taken_down(store: Store) -> Iterator[Script]:
    """Take down what a store has SQLite do from now on. It gets a new connection for that."""
    script: Script = []
    engine = store.database.engine
    engine.dispose()

    def listen(connection: Any, _record: object) -> None:
        connection.set_trace_callback(script.append)

    # First in line, so that what the store sets up for each connection is taken down, too.
    sa.event.listen(engine, "connect", listen, insert=True)
    yield script
    sa.event.remove(engine, "connect", listen)


def replayed(script: Script, database: Path, *, deaf: bool = False) -> Recording:
    """Give the statements to SQLite on a copy of `database` that lies there already; return what it did.

    `deaf`: syncs do nothing, to see what they are good for.
    """
    made = Recording(database.parent)
    disk = _Disk(made, deaf)
    start = {database.name: database.read_bytes()}
    for name, content in start.items():
        number = disk.number_of(name)
        made.operations += [
            Operation("entries", entries=((name, number),)),
            Operation("write", number, 0, content),
            Operation("sync", number),
            Operation("sync folder"),
        ]
    vfs = _Vfs(disk)
    connection = apsw.Connection(str(database), vfs=vfs.name)
    try:
        for step in script:
            if isinstance(step, tuple):
                made.promise(step[1])
            elif not step.startswith("--"):
                connection.execute(step).fetchall()
        # What closing it does comes after the power has gone.
        return Recording(made.root, list(made.operations), list(made.promised))
    finally:
        connection.close()
        vfs.unregister()


class _Disk:
    """Numbers files and notes what happens to them."""

    def __init__(self, made: Recording, deaf: bool) -> None:
        self.made = made
        self.deaf = deaf
        self._numbers: dict[str, int] = {}

    def number_of(self, name: str) -> int:
        return self._numbers.setdefault(name, len(self._numbers))

    def note(self, operation: Operation) -> None:
        self.made.operations.append(operation)

    def forget(self, name: str) -> None:
        self._numbers[name] = max(self._numbers.values(), default=-1) + 1


class _Vfs(apsw.VFS):
    """Hands out files that are watched."""

    def __init__(self, disk: _Disk) -> None:
        self.name = f"watched-{id(disk)}"
        self._disk = disk
        super().__init__(self.name, "")

    def xOpen(self, name: Any, flags: list[int]) -> "_File":  # noqa: N802 - SQLite's name
        path = name.filename() if isinstance(name, apsw.URIFilename) else str(name)
        return _File(self._disk, path, name, flags)

    def xDelete(self, name: str, syncdir: bool) -> None:  # noqa: N802 - SQLite's name
        super().xDelete(name, syncdir)
        base = os.path.basename(name)
        self._disk.note(Operation("entries", entries=((base, None),)))
        self._disk.forget(base)
        if syncdir and not self._disk.deaf:
            self._disk.note(Operation("sync folder"))


class _File(apsw.VFSFile):
    """Does what SQLite's own file does, and notes it."""

    def __init__(self, disk: _Disk, path: str, name: Any, flags: list[int]) -> None:
        base = os.path.basename(path)
        self._new = not os.path.exists(path)
        super().__init__("", name, flags)
        self._disk, self._number = disk, disk.number_of(base)
        if self._new:
            disk.note(Operation("entries", entries=((base, self._number),)))

    def xWrite(self, data: bytes, offset: int) -> None:  # noqa: N802 - SQLite's name
        super().xWrite(data, offset)
        self._disk.note(Operation("write", self._number, offset, bytes(data)))

    def xTruncate(self, size: int) -> None:  # noqa: N802 - SQLite's name
        super().xTruncate(size)
        self._disk.note(Operation("truncate", self._number, size))

    def xSync(self, flags: int) -> None:  # noqa: N802 - SQLite's name
        super().xSync(flags)
        if self._disk.deaf:
            return
        self._disk.note(Operation("sync", self._number))
        if self._new:
            # SQLite syncs the folder with the first sync of a log that it made (os_unix.c, UNIXFILE_DIRSYNC).
            self._new = False
            self._disk.note(Operation("sync folder"))
