"""The file by which local clients find a running daemon: its URL and the token that opens it.

Whoever can read it may use the programmers, so it is mode 0600 in a private folder, and a client that finds
it open to others, or made by someone else, does not trust it.
"""

import json
import os
import secrets
import stat
import sys
from dataclasses import asdict, dataclass
from pathlib import Path

from daemon.durable import write_atomically
from daemon.errors import BenchError, Code

RUNTIME_FILE = "bench.json"
TOKEN_BYTES = 32  # 256 random bits


@dataclass(frozen=True, slots=True)
class RuntimeInfo:
    """What a client needs: where the daemon listens, the bearer token, its process and version."""

    url: str
    token: str
    pid: int
    version: str

    def __repr__(self) -> str:
        return f"RuntimeInfo(url={self.url!r}, token='...', pid={self.pid}, version={self.version!r})"


def new_token() -> str:
    """Return a fresh token: 256 random bits as 64 hexadecimal digits."""
    return secrets.token_hex(TOKEN_BYTES)


def publish(runtime_dir: Path, info: RuntimeInfo) -> Path:
    """Write the file, replacing one that a dead daemon left; return its path.

    The folder must be prepared and locked by the caller. Raises BenchError `state-dir-unusable`.
    """
    path = runtime_dir / RUNTIME_FILE
    try:
        write_atomically(path, json.dumps(asdict(info), indent=2).encode("utf-8") + b"\n")
    except OSError as error:
        raise BenchError(
            Code.STATE_DIR_UNUSABLE,
            f"{path}: cannot be written ({error.strerror}), so clients could not find the daemon",
            hint="check the permissions of that folder, or name another with the setting runtime_dir",
        ) from error
    return path


def withdraw(runtime_dir: Path, info: RuntimeInfo) -> None:
    """Remove the file at exit, unless another daemon has put its own there in the meantime."""
    path = runtime_dir / RUNTIME_FILE
    if _parse(path) == info:
        path.unlink(missing_ok=True)


def find_running(runtime_dir: Path) -> RuntimeInfo | None:
    """Return what a running daemon wrote, or None: there is no file, it is broken, or its process is gone.

    A process id can be given out again after a crash, so a client must still be ready for a refused
    connection. Raises BenchError `runtime-file-unsafe` when others could have written or read the file.
    """
    path = runtime_dir / RUNTIME_FILE
    try:
        _refuse_unsafe(path)
    except (FileNotFoundError, NotADirectoryError):
        return None
    info = _parse(path)
    return info if info is not None and process_is_alive(info.pid) else None


def _parse(path: Path) -> RuntimeInfo | None:
    try:
        values = json.loads(path.read_bytes())
        info = RuntimeInfo(values["url"], values["token"], values["pid"], values["version"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
    texts = (info.url, info.token, info.version)
    sound = all(isinstance(text, str) for text in texts) and type(info.pid) is int and info.pid > 0
    return info if sound else None


def _refuse_unsafe(path: Path) -> None:
    why = _why_unsafe(path.lstat())
    if why:
        raise BenchError(
            Code.RUNTIME_FILE_UNSAFE,
            f"{path} {why}, so the address and the token in it are not trusted",
            hint="delete it and start the daemon again",
            details={"path": str(path)},
        )


def _why_unsafe(found: os.stat_result) -> str:
    if not stat.S_ISREG(found.st_mode):
        return "is not a plain file"
    if sys.platform != "win32":  # no owners and modes there; the user's profile folders are private
        if found.st_uid not in {os.geteuid(), 0}:
            return f"belongs to user {found.st_uid}"
        if found.st_mode & (stat.S_IRWXG | stat.S_IRWXO):
            return f"is open to others (mode {stat.S_IMODE(found.st_mode):04o})"
    return ""


if sys.platform == "win32":
    import ctypes

    _SYNCHRONIZE = 0x00100000  # Windows: right to wait for a process
    _WAIT_TIMEOUT = 0x102  # Windows: it has not ended yet
    _ACCESS_DENIED = 5

    def process_is_alive(pid: int) -> bool:
        """Say whether a process with this id exists, whoever owns it."""
        # os.kill(pid, 0) would send Ctrl-C there.
        kernel = ctypes.WinDLL("kernel32", use_last_error=True)
        kernel.OpenProcess.restype = ctypes.c_void_p
        kernel.WaitForSingleObject.argtypes = [ctypes.c_void_p, ctypes.c_uint32]
        kernel.CloseHandle.argtypes = [ctypes.c_void_p]
        handle = kernel.OpenProcess(_SYNCHRONIZE, False, pid)
        if not handle:
            return ctypes.get_last_error() == _ACCESS_DENIED
        try:
            return bool(kernel.WaitForSingleObject(handle, 0) == _WAIT_TIMEOUT)
        finally:
            kernel.CloseHandle(handle)

else:

    def process_is_alive(pid: int) -> bool:
        """Say whether a process with this id exists, whoever owns it."""
        try:
            os.kill(pid, 0)  # signal 0 only asks (POSIX kill)
        except (ProcessLookupError, OverflowError):
            return False
        except PermissionError:
            return True
        return True
