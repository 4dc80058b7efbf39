"""Image contents: one file each, named by its SHA-256, whole or not there."""

import contextlib
import errno
import hashlib
import os
import re
import shutil
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

from daemon.durable import PART_SUFFIX, sync_directory, write_atomically
from daemon.errors import BenchError, Code

FREE_FLOOR_BYTES = 64 * 1024 * 1024
"""Free space that no upload may use up: the database needs some to record what a running job does."""

DAMAGED_FOLDER = "damaged"
_DIGEST = re.compile(r"[0-9a-f]{64}")
_SHARD = re.compile(r"[0-9a-f]{2}")
_NO_ROOM = {errno.ENOSPC, errno.EDQUOT} if hasattr(errno, "EDQUOT") else {errno.ENOSPC}


def free_bytes_of(folder: Path) -> int:
    """Return what this user may still write on the disk that holds `folder`."""
    return shutil.disk_usage(folder).free


class Blobs:
    """Contents by digest in a folder of their own (`ab/abcdef...`). Thread-safe; one process at a time."""

    def __init__(
        self,
        folder: Path,
        *,
        floor_bytes: int = FREE_FLOOR_BYTES,
        free_bytes: Callable[[Path], int] = free_bytes_of,
    ) -> None:
        """Describe the folder; `open` makes it. `free_bytes` tells the free space, for the floor."""
        self._folder = folder
        self._floor_bytes = floor_bytes
        self._free_bytes = free_bytes
        self._lock = threading.Lock()

    def open(self) -> int:
        """Make the folder, and delete half-written files of a crash; return how many there were.

        Only to be called while no one writes: the lock on the state directory sees to that.
        """
        self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        leftovers = list(self._folder.glob(f"*/.*{PART_SUFFIX}"))
        for part in leftovers:
            part.unlink(missing_ok=True)
        return len(leftovers)

    def put(self, content: bytes) -> str:
        """Keep `content` and return its digest; it is on the medium when this returns.

        The same content again costs a check of the file that is there. Raises BenchError `disk-full`, and
        then nothing has changed.
        """
        digest = hashlib.sha256(content).hexdigest()
        path = self._path(digest)
        with self._lock, self._explained(len(content)):
            if path.is_file():
                if _is(path.read_bytes(), digest):
                    return digest
                self._set_aside(path)  # the new upload heals what the disk spoiled
            self._refuse_if_full(len(content))
            if not path.parent.is_dir():
                path.parent.mkdir(mode=0o700)
                sync_directory(self._folder)
            write_atomically(path, content)
        return digest

    def get(self, digest: str) -> bytes:
        """Return the content, after checking that it still is what its name says.

        Raises BenchError: `blob-missing`; `blob-damaged` when it is not, and the file is kept aside.
        """
        path = self._path(digest)
        content = self._read(path, digest)
        if _is(content, digest):
            return content
        with self._lock, self._explained(0):
            content = self._read(path, digest)
            if _is(content, digest):  # an upload healed it in the meantime
                return content
            kept = self._set_aside(path)
        raise BenchError(
            Code.BLOB_DAMAGED,
            f"the content of image {digest} has changed on the disk; what is there now was kept as {kept}",
            hint="upload the image again, and look at the health of the disk",
            details={"sha256": digest, "kept_as": str(kept), "size_bytes": len(content)},
        )

    def contains(self, digest: str) -> bool:
        """Say whether there is a file for this digest; `get` checks what is in it."""
        return self._path(digest).is_file()

    def delete(self, digest: str) -> bool:
        """Delete a content; return whether there was one."""
        path = self._path(digest)
        try:
            path.unlink()
        except FileNotFoundError:
            return False
        sync_directory(path.parent)
        return True

    def digests(self) -> Iterator[str]:
        """Give the digest of every content that is kept, in order."""
        for shard in sorted(self._folder.iterdir()):
            if _SHARD.fullmatch(shard.name):
                yield from sorted(entry.name for entry in shard.iterdir() if _DIGEST.fullmatch(entry.name))

    def _path(self, digest: str) -> Path:
        # Names come from requests: nothing but a digest may become part of a path.
        if not _DIGEST.fullmatch(digest):
            raise BenchError(
                Code.NOT_FOUND,
                f"{digest[:80]!r} is not the digest of an image",
                hint="an image is named by its SHA-256: 64 characters 0-9 and a-f",
                field="sha256",
            )
        return self._folder / digest[:2] / digest

    def _read(self, path: Path, digest: str) -> bytes:
        try:
            with self._explained(0):
                return path.read_bytes()
        except FileNotFoundError as error:
            raise BenchError(
                Code.BLOB_MISSING,
                f"the content of image {digest} is not on this bench ({path} is missing)",
                hint="upload the image again",
                details={"sha256": digest},
            ) from error

    @contextlib.contextmanager
    def _explained(self, size_bytes: int) -> Iterator[None]:
        try:
            yield
        except FileNotFoundError:
            raise
        except OSError as error:
            if error.errno in _NO_ROOM:
                raise self._full(size_bytes) from error
            raise BenchError(
                Code.STATE_DIR_UNUSABLE,
                f"{error.filename or self._folder}: {error.strerror}",
                hint="check the owner and the permissions of the state directory, and the disk",
            ) from error

    def _set_aside(self, path: Path) -> Path:
        folder = self._folder / DAMAGED_FOLDER
        folder.mkdir(mode=0o700, exist_ok=True)
        number = 1
        while (kept := folder / f"{path.name}.{number}").exists():
            number += 1
        os.replace(path, kept)
        sync_directory(folder)
        return kept

    def _refuse_if_full(self, size_bytes: int) -> None:
        if self._free_bytes(self._folder) - size_bytes < self._floor_bytes:
            raise self._full(size_bytes)

    def _full(self, size_bytes: int) -> BenchError:
        free_bytes = self._free_bytes(self._folder)
        return BenchError(
            Code.DISK_FULL,
            f"{free_bytes} bytes are free in {self._folder}; {size_bytes} bytes would not leave the "
            f"{self._floor_bytes} that are kept free for records",
            hint="delete images that are not needed, or free some space on that disk",
            details={
                "free_bytes": free_bytes,
                "size_bytes": size_bytes,
                "floor_bytes": self._floor_bytes,
            },
        )


def _is(content: bytes, digest: str) -> bool:
    return hashlib.sha256(content).hexdigest() == digest
