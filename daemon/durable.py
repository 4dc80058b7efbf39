"""Files that are whole after a power cut: written beside their place, synced, then renamed over it."""

import contextlib
import errno
import os
import secrets
import sys
from pathlib import Path

PART_SUFFIX = ".part"
"""Ends the temporary names, so that leftovers of a crash can be told from contents and cleaned up."""

PRIVATE_FILE_MODE = 0o600
_NO_DIRECTORY_SYNC = {errno.EINVAL, errno.EBADF, errno.ENOTSUP, errno.EACCES}


def sync_file(descriptor: int) -> None:
    """Force a file's content to the medium; raises OSError when the medium reports a failure.

    On macOS `fsync` only reaches the drive's cache (fsync(2) manual page there), hence F_FULLFSYNC.
    """
    if sys.platform == "darwin":
        import fcntl

        with contextlib.suppress(OSError):
            fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)
            return
    os.fsync(descriptor)


def sync_directory(path: Path) -> None:
    """Force a folder's entries to the medium, where the system can (Windows cannot open a folder)."""
    if sys.platform != "win32":
        descriptor = os.open(path, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        except OSError as error:
            if error.errno not in _NO_DIRECTORY_SYNC:
                raise
        finally:
            os.close(descriptor)


def open_part(path: Path) -> tuple[int, Path]:
    """Create a private temporary file beside `path`; return its descriptor and name."""
    part = path.with_name(f".{path.name}.{secrets.token_hex(8)}{PART_SUFFIX}")
    flags = os.O_CREAT | os.O_EXCL | os.O_WRONLY | getattr(os, "O_BINARY", 0)
    return os.open(part, flags, PRIVATE_FILE_MODE), part


def write_all(descriptor: int, data: bytes | memoryview) -> None:
    """Write every byte; one `os.write` may take only some of them."""
    view = memoryview(data)
    while view:
        view = view[os.write(descriptor, view) :]


def write_atomically(path: Path, data: bytes) -> None:
    """Put `data` at `path` (mode 0600): a reader sees the old content or the new, never half of it.

    Raises OSError, and then `path` is as it was and no temporary file stays.
    """
    descriptor, part = open_part(path)
    try:
        try:
            write_all(descriptor, data)
            sync_file(descriptor)
        finally:
            os.close(descriptor)
        os.replace(part, path)
    except BaseException:
        with contextlib.suppress(OSError):  # the first failure is the one to tell
            part.unlink(missing_ok=True)
        raise
    sync_directory(path.parent)
