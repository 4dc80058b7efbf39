"""The catalogue: the packaged parts and a user's own, found by id, name, alias or signature.

Files are read on first use: asking for a part by any of its names reads one file (and the heads of the
others, for their names), anything wider reads all. A user's file adds a part or replaces the whole packaged
part of the same id; one that cannot be used is listed in `problems` and fails only the request for that part.
"""

import difflib
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from daemon.catalogue.index import Names, fold, names_in_file
from daemon.catalogue.model import Part
from daemon.catalogue.partfile import Pinout, Source, read_part
from daemon.catalogue.problems import FileError, Problem, read_toml
from daemon.errors import BenchError, Code

_HOME = Path(__file__).parent
_NEAR_MAX = 5


@cache
def packaged_sources() -> Mapping[str, Source]:
    """Return source id -> source of the packaged catalogue."""
    return {name: Source.model_validate(table) for name, table in read_toml(_HOME / "sources.toml").items()}


@cache
def packaged_pinouts() -> Mapping[str, Pinout]:
    """Return name -> pinout of the packages that parts share."""
    tables = read_toml(_HOME / "pinouts.toml")
    return {name: Pinout(tuple(table["pins"].split()), table["source"]) for name, table in tables.items()}


@dataclass(frozen=True, slots=True)
class _Broken:
    """A part that cannot be used, and every name it might be asked for by."""

    part_id: str
    names: tuple[str, ...]
    problems: tuple[Problem, ...]


class Catalogue:
    """All parts the bench knows. Safe to use from several threads."""

    def __init__(self, user_folder: Path | None = None) -> None:
        self._lock = threading.RLock()
        self._files = {path.stem: path for path in sorted((_HOME / "parts").glob("*.toml"))}
        self._packaged = dict(self._files)
        self._folder_problems: tuple[Problem, ...] = ()
        if user_folder is not None:
            self._files |= self._user_files(user_folder)
        self._entries: dict[str, Part | _Broken] = {}
        self._index: tuple[Names, ...] | None = None
        self._sources = dict(packaged_sources())

    def _is_packaged(self, part_id: str) -> bool:
        return self._files[part_id] == self._packaged.get(part_id)

    def _user_files(self, folder: Path) -> dict[str, Path]:
        try:
            # A file whose name is no proper id is still listed, so that it is reported and not overlooked.
            found = sorted(path for path in folder.iterdir() if path.suffix.lower() == ".toml")
        except FileNotFoundError:
            return {}
        except OSError as error:
            self._folder_problems = (Problem(folder, "", f"cannot be listed: {error.strerror or error}"),)
            return {}
        return {path.stem: path for path in found}

    # Everything

    def ids(self) -> tuple[str, ...]:
        """Return the ids of all parts that can be used, sorted."""
        return tuple(part.id for part in self)

    def __iter__(self) -> Iterator[Part]:
        """Yield all parts that can be used, in order of their ids."""
        entries = [self._entry(part_id) for part_id in sorted(self._files)]
        return iter([entry for entry in entries if isinstance(entry, Part)])

    def __len__(self) -> int:
        return len(self.ids())

    @property
    def problems(self) -> tuple[Problem, ...]:
        """Everything wrong with the user's part files, in order of their ids."""
        own = [self._entry(part_id) for part_id in sorted(self._files) if not self._is_packaged(part_id)]
        broken = [entry for entry in own if isinstance(entry, _Broken)]
        return self._folder_problems + tuple(problem for entry in broken for problem in entry.problems)

    @property
    def sources(self) -> Mapping[str, Source]:
        """Source id -> source: ours, and those that the files read so far have added."""
        return dict(self._sources)

    # One part

    def get(self, text: str) -> Part:
        """Return the part with this id, name or alias; case, spaces and punctuation do not matter.

        Raises BenchError: `part-unknown` with near matches, `part-ambiguous` with the choices, `part-invalid`
        when the file of that part cannot be used.
        """
        wanted = text.strip().lower()
        if wanted in self._files:
            return self._usable(self._entry(wanted))
        folded = fold(text)
        names = self._names() if folded else ()
        found = [own.part_id for own in names if folded in map(fold, own.exact)]
        # A broken file counts here too: the others must not inherit what it can no longer claim.
        found = found or [own.part_id for own in names if folded in map(fold, own.shared)]
        if len(found) == 1:
            return self._usable(self._entry(found[0]))
        if found:
            raise _ambiguous(text, found)
        raise self._unknown(text)

    def search(self, text: str) -> tuple[Part, ...]:
        """Return the parts that hold every word of `text` in a name, alias, maker, kind or package.

        Parts named by the whole text come first, then those whose name starts with it; empty text finds all.
        """
        words = [fold(word) for word in text.split()]
        whole = fold(text)

        def rank(part: Part) -> tuple[int, str]:
            names = [fold(name) for name in _names(part)]
            return (0 if whole in names else 1 if any(n.startswith(whole) for n in names) else 2, part.id)

        def holds(part: Part) -> bool:
            fields = (*_names(part), part.kind, part.package, *part.also_in)
            return all(any(word in fold(field) for field in fields) for word in words)

        return tuple(sorted(filter(holds, self), key=rank))

    def by_signature(self, maker: int, device: int) -> tuple[Part, ...]:
        """Return the parts that answer with these maker and device codes (words, as read from the chip)."""
        return tuple(part for part in self if part.signature.matches(maker, device))

    # Inside

    def _names(self) -> tuple[Names, ...]:
        """Return what every part answers to, in order of their ids."""
        with self._lock:
            if self._index is None:
                self._index = tuple(map(self._names_of, sorted(self._files)))
            return self._index

    def _names_of(self, part_id: str) -> Names:
        if self._is_packaged(part_id):
            return names_in_file(self._files[part_id])
        entry = self._entry(part_id)
        if isinstance(entry, Part):
            return Names.of(part_id, entry.maker, entry.name, entry.aliases)
        return Names(part_id, (), entry.names)

    def _entry(self, part_id: str) -> Part | _Broken:
        with self._lock:
            if part_id not in self._entries:
                self._entries[part_id] = self._read(part_id)
            return self._entries[part_id]

    def _read(self, part_id: str) -> Part | _Broken:
        path = self._files[part_id]
        try:
            part, own = read_part(path, packaged_pinouts(), packaged_sources())
        except FileError as error:
            names = (part_id, *error.names)
            replaced = self._packaged.get(part_id)
            if replaced is not None and replaced != path:
                # The user meant other values for this part: do not let ours answer to its names.
                ours = names_in_file(replaced)
                names += (*ours.exact, *ours.shared)
            return _Broken(part_id, names, error.problems)
        self._sources |= own
        return part

    def _usable(self, entry: Part | _Broken) -> Part:
        if isinstance(entry, Part):
            return entry
        first, more = entry.problems[0], len(entry.problems) - 1
        raise BenchError(
            Code.PART_INVALID,
            first.text + (f" (and {more} more)" if more else ""),
            hint=f"Correct {first.file} or take it out of the folder, then start again.",
            field=first.key or None,
            details={"file": str(first.file), "problems": [problem.text for problem in entry.problems]},
        )

    def _unknown(self, text: str) -> BenchError:
        names: dict[str, list[str]] = {}
        for own in self._names():
            for name in (*own.exact, *own.shared):
                names.setdefault(fold(name), []).append(own.part_id)
        close = difflib.get_close_matches(fold(text)[:60], names, n=_NEAR_MAX, cutoff=0.6)
        near = list(dict.fromkeys(part_id for name in close for part_id in names[name]))[:_NEAR_MAX]
        hint = (
            f"Near matches: {', '.join(near)}." if near else "Search the catalogue by a part of the marking."
        )
        return BenchError(
            Code.PART_UNKNOWN,
            f'there is no part "{text[:60]}"',
            hint=hint,
            field="part",
            details={"near": near},
        )


def _ambiguous(text: str, choices: list[str]) -> BenchError:
    return BenchError(
        Code.PART_AMBIGUOUS,
        f'"{text[:60]}" stands for {len(choices)} parts: {", ".join(choices)}',
        hint="Compare with the marking on the chip and name one: their voltages and pulses differ.",
        field="part",
        details={"choices": choices},
    )


def _names(part: Part) -> tuple[str, ...]:
    names = Names.of(part.id, part.maker, part.name, part.aliases)
    return (*names.exact, *names.shared)
