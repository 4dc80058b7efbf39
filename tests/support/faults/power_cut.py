"""What a disk may hold after a power cut: all that was synced, and of the rest anything or nothing.

File operations are recorded as they are made; then any moment can be made the last one. Of what was not
synced by then, some is on the medium and some is not, in any mixture, and a write may be torn. Only what
POSIX promises is promised: the content of a file after its fsync, the entries of a folder after its own, and
that a rename is there or not there.
"""

import contextlib
import os
import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock

#: Stands for a folder where a file has its number.
_FOLDER = -2
_WATCHED = ("open", "write", "fsync", "close", "replace", "rename", "unlink", "ftruncate", "mkdir")


@dataclass(frozen=True, slots=True)
class Operation:
    """One change: to the bytes of a file (`write`, `truncate`), to entries (`link`, `unlink`), or a sync.

    `entries` are what becomes of names in folders, all or none: name -> file number, None for gone.
    """

    what: str
    file: int = -1
    offset: int = 0
    data: bytes = b""
    entries: tuple[tuple[str, int | None], ...] = ()
    folder: str = ""


@dataclass
class Recording:
    """All operations below one folder, and at which of them something was promised."""

    root: Path
    operations: list[Operation] = field(default_factory=list)
    #: Number of operations after which each thing had been promised.
    promised: list[tuple[int, Any]] = field(default_factory=list)

    def promise(self, what: Any) -> None:
        """Note that something is said to be on the medium from now on."""
        self.promised.append((len(self.operations), what))

    def promised_by(self, moment: int) -> list[Any]:
        """Return what had been promised when so many operations were done."""
        return [what for at, what in self.promised if at <= moment]

    def after_cut(self, moment: int, rng: random.Random | None, folder: Path) -> None:
        """Make in `folder` what the medium may hold when only the first `moment` operations were made.

        Without `rng` nothing unsynced is there.
        """
        files: dict[int, bytearray] = {}
        unsynced: dict[int, list[Operation]] = {}
        names: dict[str, int] = {}
        pending: list[Operation] = []
        for operation in self.operations[:moment]:
            match operation.what:
                case "write" | "truncate":
                    unsynced.setdefault(operation.file, []).append(operation)
                case "sync":
                    for each in unsynced.pop(operation.file, []):
                        _apply(files, each)
                case "entries":
                    pending.append(operation)
                case "sync folder":
                    settled = [each for each in pending if operation.folder in _folders(each)]
                    pending = [each for each in pending if each not in settled]
                    for each in settled:
                        _link(names, each)
        if rng is not None:
            _some(files, unsynced, names, pending, rng)
        for name, number in names.items():
            path = folder / name
            if number == _FOLDER or any(above not in names for above in _above(name)):
                continue
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(bytes(files.get(number, b"")))


def _above(name: str) -> list[str]:
    """Return the folders that a name lies in, below the root."""
    return [parent.as_posix() for parent in Path(name).parents if parent.as_posix() != "."]


def _folders(operation: Operation) -> set[str]:
    return {os.path.dirname(name) for name, _ in operation.entries}


def _apply(files: dict[int, bytearray], operation: Operation) -> None:
    content = files.setdefault(operation.file, bytearray())
    if operation.what == "truncate":
        del content[operation.offset :]
        return
    end = operation.offset + len(operation.data)
    content.extend(bytes(max(0, end - len(content))))
    content[operation.offset : end] = operation.data


def _link(names: dict[str, int], operation: Operation) -> None:
    for name, number in operation.entries:
        if number is None:
            names.pop(name, None)
        else:
            names[name] = number


def _some(
    files: dict[int, bytearray],
    unsynced: dict[int, list[Operation]],
    names: dict[str, int],
    pending: list[Operation],
    rng: random.Random,
) -> None:
    """Let some of what was not synced be there all the same."""
    for operation in pending:
        if rng.random() < 0.5:
            _link(names, operation)
    for operations in unsynced.values():
        for operation in operations:
            luck = rng.random()
            if luck < 0.4:
                _apply(files, operation)
            elif luck < 0.7 and operation.data:
                # Torn: a part of it, or room for it without its bytes.
                cut = rng.randrange(len(operation.data))
                data = operation.data[:cut] if luck < 0.55 else bytes(len(operation.data))
                _apply(files, Operation("write", operation.file, operation.offset, data))


@contextlib.contextmanager
def recording(root: Path, *, deaf_to: frozenset[str] = frozenset()) -> Iterator[Recording]:
    """Record what `os` is asked to do below `root`.

    `deaf_to`: syncs that do nothing (`sync`, `sync folder`), to see what they are good for.
    """
    made = Recording(root)
    recorder = _Recorder(made, deaf_to)
    with contextlib.ExitStack() as patches:
        for name in _WATCHED:
            patches.enter_context(mock.patch.object(os, name, getattr(recorder, name)))
        yield made


class _Recorder:
    """Stands in for functions of `os`: does what they do, and notes it."""

    def __init__(self, made: Recording, deaf_to: frozenset[str]) -> None:
        self._made = made
        self._deaf_to = deaf_to
        self._real = {name: getattr(os, name) for name in _WATCHED}
        self._open: dict[int, tuple[str, int]] = {}
        self._numbers: dict[str, int] = {}
        self._at: dict[int, int] = {}

    def _name(self, path: Any) -> str | None:
        path = Path(os.fspath(path))
        inside = path == self._made.root or self._made.root in path.parents
        return path.relative_to(self._made.root).as_posix() if inside else None

    def _note(self, operation: Operation) -> None:
        self._made.operations.append(operation)

    def open(self, path: Any, flags: int, mode: int = 0o777, **options: Any) -> int:
        descriptor = self._real["open"](path, flags, mode, **options)
        name = self._name(path)
        if name is None:
            return descriptor
        if os.path.isdir(path):
            self._open[descriptor] = (name, -1)
            return descriptor
        if flags & os.O_CREAT and name not in self._numbers:
            self._numbers[name] = len(self._at)
            self._at[self._numbers[name]] = 0
            self._note(Operation("entries", entries=((name, self._numbers[name]),)))
        self._open[descriptor] = (name, self._numbers[name])
        self._at[self._numbers[name]] = 0
        return descriptor

    def write(self, descriptor: int, data: Any) -> int:
        count = self._real["write"](descriptor, data)
        if descriptor in self._open:
            number = self._open[descriptor][1]
            self._note(Operation("write", number, self._at[number], bytes(data[:count])))
            self._at[number] += count
        return count

    def ftruncate(self, descriptor: int, length: int) -> None:
        self._real["ftruncate"](descriptor, length)
        if descriptor in self._open:
            self._note(Operation("truncate", self._open[descriptor][1], length))

    def fsync(self, descriptor: int) -> None:
        self._real["fsync"](descriptor)
        if descriptor not in self._open:
            return
        name, number = self._open[descriptor]
        what = "sync" if number >= 0 else "sync folder"
        if what not in self._deaf_to:
            self._note(Operation(what, number, folder="" if name == "." else name))

    def close(self, descriptor: int) -> None:
        self._open.pop(descriptor, None)
        self._real["close"](descriptor)

    def replace(self, source: Any, target: Any) -> None:
        self._real["replace"](source, target)
        old, new = self._name(source), self._name(target)
        assert old is not None
        assert new is not None
        number = self._numbers[new] = self._numbers.pop(old)
        self._note(Operation("entries", entries=((old, None), (new, number))))

    rename = replace

    def unlink(self, path: Any, **options: Any) -> None:
        self._real["unlink"](path, **options)
        name = self._name(path)
        if name is not None:
            self._numbers.pop(name, None)
            self._note(Operation("entries", entries=((name, None),)))

    def mkdir(self, path: Any, mode: int = 0o777, **options: Any) -> None:
        self._real["mkdir"](path, mode, **options)
        name = self._name(path)
        if name is not None:
            self._note(Operation("entries", entries=((name, _FOLDER),)))
