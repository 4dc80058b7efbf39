"""The file of a backup: a ZIP of tables as JSON lines, contents by digest, own files, and a manifest.

The manifest names every entry with its size and SHA-256, so that a backup can be checked by itself. Its
tables are rows and no file of one database: a backup of SQLite goes into PostgreSQL as well, and back.
"""

import contextlib
import hashlib
import json
import lzma
import re
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from daemon.errors import BenchError, Code

FORMAT = "romwright backup"
VERSION = 1
MANIFEST = "manifest.json"
#: Own files may be called as people call them, but in one folder, and as every system can write it.
_NAME = re.compile(
    r"tables/[a-z_]{1,60}\.jsonl|images/[0-9a-f]{64}"
    r"|(boards|parts|adapters)/[^\x00-\x1f\x7f\ud800-\udfff/\\:*?\"<>|.][^\x00-\x1f\x7f\ud800-\udfff/\\:*?\"<>|]{0,80}"
    r"\.[Tt][Oo][Mm][Ll]"
)
_PIECE_BYTES = 1 << 20
#: What the readers of ZIP and JSON raise; RuntimeError: enciphered, packed in an unknown way, too deep.
_DAMAGED = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    OSError,
    EOFError,
    KeyError,
    ValueError,
    RuntimeError,
)
_NO_BACKUP = (*_DAMAGED, TypeError, AttributeError)
_MANIFEST_MAX_BYTES = 64 << 20


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup holds. `missing` are contents that were lost before it was made."""

    schema: str
    bench_id: str
    made_at: str
    program: str
    rows: dict[str, int]
    entries: dict[str, tuple[int, str]]
    missing: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return it as the file has it."""
        return {
            "format": FORMAT,
            "version": VERSION,
            "schema": self.schema,
            "bench_id": self.bench_id,
            "made_at": self.made_at,
            "program": self.program,
            "rows": self.rows,
            "missing": list(self.missing),
            "entries": {
                name: {"bytes": size, "sha256": digest} for name, (size, digest) in self.entries.items()
            },
        }


@dataclass(slots=True)
class ArchiveWriter:
    """Writes entries and keeps account of them."""

    into: zipfile.ZipFile
    entries: dict[str, tuple[int, str]] = field(default_factory=dict)

    def add(self, name: str, pieces: Iterator[bytes]) -> None:
        """Write one entry from pieces. Raises BenchError `name-invalid` for a name that it cannot have."""
        if not _NAME.fullmatch(name):
            raise BenchError(
                Code.NAME_INVALID,
                f"{name!a} cannot stand in a backup under that name",
                hint="Rename the file: up to 80 letters, digits, spaces, dots or dashes.",
            )
        size, digest = 0, hashlib.sha256()
        with self.into.open(name, "w", force_zip64=True) as target:
            for piece in pieces:
                target.write(piece)
                size += len(piece)
                digest.update(piece)
        self.entries[name] = size, digest.hexdigest()


class Archive:
    """A backup to read from. Everything that it gives has been compared with its manifest."""

    def __init__(self, path: Path) -> None:
        """Open it. Raises BenchError `backup-invalid` for a file that is no backup, or is cut short."""
        self.path = path
        with contextlib.ExitStack() as opened:
            try:
                self._zip = opened.enter_context(zipfile.ZipFile(path))
                self.manifest = self._read_manifest()
            except OSError as error:
                raise self.invalid(f"it cannot be read ({error.strerror or error})") from error
            except _NO_BACKUP as error:
                raise self.invalid(f"it is no backup of ours, or was cut short ({error})") from error
            opened.pop_all()

    def close(self) -> None:
        """Close the file."""
        self._zip.close()

    def check(self, progress: Callable[[int, int], None] = lambda _done, _total: None) -> None:
        """Read everything once and compare it with the manifest.

        Raises BenchError `backup-invalid` naming the first entry that is not what it was.
        """
        names = {info.filename for info in self._zip.infolist()} - {MANIFEST}
        if names != set(self.manifest.entries):
            odd = sorted(names ^ set(self.manifest.entries))
            raise self.invalid(f"{odd[0]} is in the file or in its manifest, but not in both")
        total, done = sum(size for size, _ in self.manifest.entries.values()), 0
        for name, (size, _) in self.manifest.entries.items():
            for _piece in self._pieces(name):
                pass
            done += size
            progress(done, total)

    def names(self, folder: str) -> list[str]:
        """Return the entries of one folder, without it."""
        prefix = f"{folder}/"
        return [name.removeprefix(prefix) for name in self.manifest.entries if name.startswith(prefix)]

    def read(self, name: str) -> bytes:
        """Return an entry whole."""
        return b"".join(self._pieces(name))

    def lines(self, name: str) -> Iterator[Any]:
        """Yield the JSON values of an entry with one on each line."""
        rest = b""
        for piece in self._pieces(name):
            *whole, rest = (rest + piece).split(b"\n")
            yield from (json.loads(line) for line in whole if line)
        if rest:
            yield json.loads(rest)

    def invalid(self, words: str) -> BenchError:
        """Return the error that says what is wrong with this file."""
        return BenchError(
            Code.BACKUP_INVALID,
            f"{self.path}: {words}",
            hint="Nothing was changed. Use another copy; `romwright backup --check FILE` looks through one.",
            details={"path": str(self.path)},
        )

    def _pieces(self, name: str) -> Iterator[bytes]:
        size, digest = self.manifest.entries[name]
        seen, found = 0, hashlib.sha256()
        try:
            with self._zip.open(name) as source:
                while piece := source.read(_PIECE_BYTES):
                    seen += len(piece)
                    if seen > size:  # a small file can claim to hold gigabytes
                        break
                    found.update(piece)
                    yield piece
        except _DAMAGED as error:
            raise self.invalid(f"{name} is damaged ({error})") from error
        if (seen, found.hexdigest()) != (size, digest):
            raise self.invalid(f"{name} is not what it was when the backup was made")

    def _read_manifest(self) -> Manifest:
        info = self._zip.getinfo(MANIFEST)
        if info.file_size > _MANIFEST_MAX_BYTES:
            raise ValueError("its manifest is too large")
        values = json.loads(self._zip.read(info))
        if values["format"] != FORMAT or values["version"] != VERSION:
            raise ValueError(
                f"its form is {values['format']!r} {values['version']!r}, not {FORMAT!r} {VERSION}"
            )
        entries = {
            str(name): (int(each["bytes"]), str(each["sha256"])) for name, each in values["entries"].items()
        }
        for name in entries:
            if not _NAME.fullmatch(name):
                raise ValueError(f"{name[:80]!r} is no entry of a backup")
        return Manifest(
            schema=str(values["schema"]),
            bench_id=str(values["bench_id"]),
            made_at=str(values["made_at"]),
            program=str(values["program"]),
            rows={str(name): int(count) for name, count in values["rows"].items()},
            entries=entries,
            missing=tuple(str(each) for each in values["missing"]),
        )


def write_manifest(into: zipfile.ZipFile, manifest: Manifest) -> None:
    """Write the manifest, as the last entry: a file that was cut short has none."""
    into.writestr(MANIFEST, json.dumps(manifest.to_json(), indent=1))
