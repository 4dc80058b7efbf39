"""The check of a user's own folder of parts and adapters, before the bench meets them."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from daemon.adapters.files import Adapters, read_adapter
from daemon.catalogue.loader import Catalogue, packaged_pinouts, packaged_sources
from daemon.catalogue.partfile import read_part
from daemon.catalogue.problems import FileError, Problem, read_toml

_SUBFOLDERS = ("parts", "adapters")
_ADAPTERS_OWN = frozenset({"plug", "orientation", "made_for", "tied", "switched"})


@dataclass(frozen=True, slots=True)
class Checked:
    """What was looked at in a folder, and everything wrong with it, file by file."""

    files: tuple[Path, ...]
    problems: tuple[Problem, ...]


def validate_folder(path: Path) -> list[Problem]:
    """Return everything wrong with the part and adapter files in a folder; see `check_folder`."""
    return list(check_folder(path).problems)


def check_folder(path: Path) -> Checked:
    """Look through the part and adapter files in a folder, or at one file.

    Looks into the folder and its subfolders `parts` and `adapters`. In a folder called `adapters` every file
    is an adapter; elsewhere a file is one when it has a key that only adapters have. Never raises for what it
    finds; a folder that cannot be listed is itself a problem.
    """
    problems: list[Problem] = []
    files = (path,) if path.is_file() else tuple(_files(path, problems))
    for file in files:
        problems += _problems_of(file)
    return Checked(files, tuple(problems))


def check_own(parts_dir: Path, adapters_dir: Path) -> Checked:
    """Look through a bench's own two folders as the bench does; one that is not there is empty."""
    files = (file for folder in (parts_dir, adapters_dir) if folder.is_dir() for file in _listed(folder, []))
    return Checked(tuple(files), Catalogue(parts_dir).problems + Adapters(adapters_dir).problems)


def _problems_of(file: Path) -> tuple[Problem, ...]:
    try:
        if file.parent.name == "adapters" or _is_adapter(file):
            read_adapter(file, packaged_pinouts())
        else:
            read_part(file, packaged_pinouts(), packaged_sources())
    except FileError as error:
        return error.problems
    return ()


def _files(path: Path, problems: list[Problem]) -> Iterator[Path]:
    for folder in (path, *(path / name for name in _SUBFOLDERS if (path / name).is_dir())):
        yield from _listed(folder, problems)


def _listed(folder: Path, problems: list[Problem]) -> list[Path]:
    try:
        found = sorted(folder.iterdir())
    except OSError as error:
        problems.append(Problem(folder, "", f"cannot be listed: {error.strerror or error}"))
        return []
    return [file for file in found if file.suffix.lower() == ".toml"]


def _is_adapter(file: Path) -> bool:
    return not _ADAPTERS_OWN.isdisjoint(read_toml(file))
