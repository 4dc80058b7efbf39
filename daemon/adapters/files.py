"""One adapter file, and the folder of them: the packaged adapters and a user's own."""

import threading
from collections.abc import Iterator, Mapping
from pathlib import Path

from pydantic import ValidationError

from daemon.adapters.model import Adapter, Limits
from daemon.catalogue.index import fold
from daemon.catalogue.loader import packaged_pinouts
from daemon.catalogue.partfile import Pinout
from daemon.catalogue.problems import FileError, Problem, Schema, from_validation, nearest, read_toml
from daemon.errors import BenchError, Code

_HOME = Path(__file__).parent / "packaged"
_SCHEMA = Schema(
    "an adapter",
    Adapter,
    tables={"limits": Limits},
    patterns={
        "id": 'lower-case letters, digits, "-" and "."',
        "package": 'kind and pins, such as "PLCC32"',
        "plug": 'kind and pins, such as "DIP32"',
    },
)


def read_adapter(path: Path, pinouts: Mapping[str, Pinout]) -> Adapter:
    """Return the adapter in `path`, a file named after its id; raises FileError."""
    table = read_toml(path)
    problems: list[Problem] = []
    if table.setdefault("id", path.stem) != path.stem:
        reason = f'says "{table["id"]}" but the file is called {path.name}; make the two agree'
        problems.append(Problem(path, "id", reason))
        table["id"] = path.stem
    name = table.get("name")
    names = (name,) if isinstance(name, str) else ()
    try:
        adapter = Adapter.model_validate(table)
    except ValidationError as error:
        raise FileError((*problems, *from_validation(path, error, _SCHEMA)), names) from error
    for index, pinout in enumerate(adapter.made_for):
        if pinout not in pinouts:
            problems.append(Problem(path, f"made_for.{index}", f"there is no pinout {pinout}",
                                    nearest(pinout, pinouts)))  # fmt: skip
    if problems:
        raise FileError(tuple(problems), names)
    return adapter


class Adapters:
    """All adapters the bench knows. Files are read on first use. Safe to use from several threads."""

    def __init__(self, user_folder: Path | None = None) -> None:
        self._lock = threading.Lock()
        self._user_folder = user_folder
        self._known: dict[str, Adapter] | None = None
        self._broken: dict[str, FileError] = {}
        self._folder_problems: tuple[Problem, ...] = ()

    def __iter__(self) -> Iterator[Adapter]:
        """Yield all adapters that can be used, in order of their ids."""
        return iter(list(self._all().values()))

    def __len__(self) -> int:
        return len(self._all())

    @property
    def problems(self) -> tuple[Problem, ...]:
        """Everything wrong with the adapter files, in order of their ids."""
        self._all()
        return self._folder_problems + tuple(p for error in self._broken.values() for p in error.problems)

    def get(self, text: str) -> Adapter:
        """Return the adapter with this id or name; case, spaces and punctuation do not matter.

        Raises BenchError: `adapter-unknown` with the nearest, `adapter-invalid` when its file cannot be used.
        """
        known = self._all()
        wanted = fold(text)
        for adapter in known.values():
            if wanted and wanted in (fold(adapter.id), fold(adapter.name)):
                return adapter
        for adapter_id, error in self._broken.items():
            if wanted and wanted in map(fold, (adapter_id, *error.names)):
                raise _invalid(error)
        near = nearest(text.strip().lower(), known)
        raise BenchError(
            Code.ADAPTER_UNKNOWN,
            f'there is no adapter "{text[:60]}"',
            hint=f"Did you mean {near}?" if near else f"There are: {', '.join(known)}.",
            field="adapter",
            details={"near": near, "choices": list(known)},
        )

    def _all(self) -> Mapping[str, Adapter]:
        with self._lock:
            if self._known is None:
                known: dict[str, Adapter] = {}
                for adapter_id, path in sorted(self._files().items()):
                    try:
                        known[adapter_id] = read_adapter(path, packaged_pinouts())
                    except FileError as error:
                        self._broken[adapter_id] = error
                self._known = known
            return self._known

    def _files(self) -> dict[str, Path]:
        files = {path.stem: path for path in _HOME.glob("*.toml")}
        if self._user_folder is None:
            return files
        try:
            own = [path for path in self._user_folder.iterdir() if path.suffix.lower() == ".toml"]
        except FileNotFoundError:
            return files
        except OSError as error:
            reason = f"cannot be listed: {error.strerror or error}"
            self._folder_problems = (Problem(self._user_folder, "", reason),)
            return files
        return files | {path.stem: path for path in own}


def _invalid(error: FileError) -> BenchError:
    first, more = error.problems[0], len(error.problems) - 1
    return BenchError(
        Code.ADAPTER_INVALID,
        first.text + (f" (and {more} more)" if more else ""),
        hint=f"Correct {first.file} or take it out of the folder, then start again.",
        field=first.key or None,
        details={"file": str(first.file), "problems": [problem.text for problem in error.problems]},
    )
