"""The check of a user's own folder of parts and adapters, before the bench meets them."""

from collections.abc import Iterator
from pathlib import Path

from daemon.adapters.files import read_adapter
from daemon.catalogue.loader import packaged_pinouts, packaged_sources
from daemon.catalogue.partfile import read_part
from daemon.catalogue.problems import FileError, Problem, read_toml

_SUBFOLDERS = ("parts", "adapters")
_ADAPTERS_OWN = frozenset({"plug", "orientation", "made_for", "tied", "switched"})


def validate_folder(path: Path) -> list[Problem]:
    """Return everything wrong with the part and adapter files in a folder, file by file.

    Looks into the folder and its subfolders `parts` and `adapters`. In a folder called `adapters` every file
    is an adapter; elsewhere a file is one when it has a key that only adapters have. Never raises for what it
    finds; a folder that cannot be listed is itself a problem.
    """
    problems: list[Problem] = []
    for file in _files(path, problems):
        try:
            if file.parent.name == "adapters" or _is_adapter(file):
                read_adapter(file, packaged_pinouts())
            else:
                read_part(file, packaged_pinouts(), packaged_sources())
        except FileError as error:
            problems += error.problems
    return problems


def _files(path: Path, problems: list[Problem]) -> Iterator[Path]:
    folders = [path, *(path / name for name in _SUBFOLDERS if (path / name).is_dir())]
    for folder in folders:
        try:
            found = sorted(folder.iterdir())
        except OSError as error:
            problems.append(Problem(folder, "", f"cannot be listed: {error.strerror or error}"))
            continue
        yield from (file for file in found if file.suffix.lower() == ".toml")


def _is_adapter(file: Path) -> bool:
    return not _ADAPTERS_OWN.isdisjoint(read_toml(file))
