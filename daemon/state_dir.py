"""The daemon's own folders: private, held by one daemon at a time, with an identity that lasts."""

import contextlib
import os
import stat
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from daemon.durable import sync_directory, write_atomically
from daemon.errors import BenchError, Code
from daemon.store.model import new_id

PRIVATE_DIR_MODE = 0o700
LOCK_FILE = "daemon.lock"
PID_FILE = "daemon.pid"
BENCH_ID_FILE = "bench-id"
_OTHERS = stat.S_IRWXG | stat.S_IRWXO
_OTHERS_WRITE = stat.S_IWGRP | stat.S_IWOTH


def prepare_private_dir(path: Path) -> Path:
    """Make a folder that only this user can enter, or check one that exists; return its real path.

    A folder that is merely readable by others is closed to them if it is empty or was ours before; one with
    other things in it is left as it is and refused, since closing it could lock others out of their files. On
    Windows the user's profile folders are private already, and modes mean nothing.
    Raises BenchError: `state-dir-unsafe`, `state-dir-unusable`.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with contextlib.suppress(FileExistsError):
            path.mkdir(mode=PRIVATE_DIR_MODE)
            # A power cut must not take the folder away with all that was synced in it. Where the folder above
            # may not be opened by this user, the system's own journal has to do.
            with contextlib.suppress(OSError):
                sync_directory(path.parent)
        real = path.resolve(strict=True)
        if not real.is_dir():
            raise NotADirectoryError(20, "this is a file, not a folder", str(path))
        _refuse_unsafe(real)
        if not os.access(real, os.R_OK | os.W_OK | os.X_OK):
            raise PermissionError(13, "this user may not write there", str(path))
    except OSError as error:
        raise BenchError(
            Code.STATE_DIR_UNUSABLE,
            f"{error.filename or path}: {error.strerror}",
            hint="name another folder in the settings state_dir and runtime_dir, or mend its permissions",
            details={"path": str(path)},
        ) from error
    return real


def _refuse_unsafe(path: Path) -> None:
    if sys.platform != "win32":
        found = path.stat()
        mode = stat.S_IMODE(found.st_mode)
        if found.st_uid != os.geteuid():
            raise _unsafe(path, f"belongs to user {found.st_uid}, and this is user {os.geteuid()}")
        if not mode & _OTHERS:
            return
        entries = os.listdir(path)
        if entries and BENCH_ID_FILE not in entries and LOCK_FILE not in entries:
            raise _unsafe(path, f"is open to others (mode {mode:04o}) and holds files that are not a bench's")
        if entries and mode & _OTHERS_WRITE:
            raise _unsafe(path, f"could be written by others (mode {mode:04o})")
        path.chmod(PRIVATE_DIR_MODE)


def _unsafe(path: Path, why: str) -> BenchError:
    return BenchError(
        Code.STATE_DIR_UNSAFE,
        f"{path} {why}",
        hint=f"name a folder of its own, or close this one to others: chmod 700 '{path}'",
        details={"path": str(path)},
    )


@dataclass(frozen=True, slots=True)
class ClaimedDirs:
    """The real paths of the daemon's folders while it holds them, and the id of its bench."""

    state_dir: Path
    runtime_dir: Path
    bench_id: str


@contextlib.contextmanager
def claim(state_dir: Path, runtime_dir: Path) -> Iterator[ClaimedDirs]:
    """Prepare both folders and hold them for this process until the block ends.

    Raises BenchError: `state-dir-busy`, `state-dir-unsafe`, `state-dir-unusable`; then nothing is held.
    """
    state, runtime = prepare_private_dir(state_dir), prepare_private_dir(runtime_dir)
    with contextlib.ExitStack() as held:
        held.enter_context(StateDirLock(state))
        if runtime != state:
            held.enter_context(StateDirLock(runtime, setting="runtime_dir"))
        yield ClaimedDirs(state, runtime, bench_id(state))


class StateDirLock:
    """Holds a folder for this process. The system lets go of it when the process dies, however it dies."""

    def __init__(self, folder: Path, setting: str = "state_dir") -> None:
        """Name the folder and the setting it comes from; nothing is held before `acquire`."""
        from filelock import FileLock  # late: it costs 30 ms, which only a daemon has to spend

        self._folder = folder
        self._setting = setting
        self._lock = FileLock(folder / LOCK_FILE, timeout=0, thread_local=False)

    def acquire(self) -> None:
        """Take the lock at once, and write this process's id beside it.

        Raises BenchError: `state-dir-busy` naming the process that has it; `state-dir-unusable`.
        """
        from filelock import Timeout

        try:
            self._lock.acquire()
        except Timeout as error:
            raise self._busy() from error
        except (OSError, NotImplementedError) as error:
            raise BenchError(
                Code.STATE_DIR_UNUSABLE,
                f"{self._folder}: files cannot be locked there ({error})",
                hint="use a folder on a local disk",
                details={"path": str(self._folder)},
            ) from error
        # A file of its own: on Windows a locked one cannot be read by the very process that wants to know.
        write_atomically(self._folder / PID_FILE, f"{os.getpid()}\n".encode("ascii"))

    def release(self) -> None:
        """Let go; without effect when the lock is not held."""
        if self._lock.is_locked:
            (self._folder / PID_FILE).unlink(missing_ok=True)
            self._lock.release()

    def __enter__(self) -> Self:
        self.acquire()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.release()

    def _busy(self) -> BenchError:
        pid = _read_pid(self._folder / PID_FILE)
        who = f"process {pid}" if pid else "another process"
        return BenchError(
            Code.STATE_DIR_BUSY,
            f"a daemon already works with {self._folder}: {who}",
            hint=f"use that one, stop it first, or name another folder with the setting {self._setting}",
            details={"path": str(self._folder), "pid": pid},
        )


def _read_pid(path: Path) -> int | None:
    try:
        return int(path.read_text(encoding="ascii"))
    except (OSError, ValueError):
        return None


def bench_id(state_dir: Path) -> str:
    """Return the id of the bench whose state this folder holds; the first call makes it up.

    Several benches can share one database: by this id each knows its own jobs. Call it with the lock held.
    Raises BenchError `state-dir-unusable`.
    """
    path = state_dir / BENCH_ID_FILE
    try:
        if path.exists():
            found = path.read_text(encoding="ascii").strip()
            if found:
                return found
        made = new_id("b")
        write_atomically(path, f"{made}\n".encode("ascii"))
    except (OSError, ValueError) as error:
        raise BenchError(
            Code.STATE_DIR_UNUSABLE,
            f"{path}: the bench's id cannot be read or written ({error})",
            hint="check the permissions of the state directory",
        ) from error
    return made
