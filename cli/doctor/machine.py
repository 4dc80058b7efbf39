"""The machine: versions, settings, folders, disk, clock."""

import os
import platform
import shutil
import sys
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING

from cli.doctor.findings import Finding, attention, ok, problem

if TYPE_CHECKING:
    from daemon.settings import LoadedSettings

_TIGHT_BYTES = 200 << 20
_FULL_BYTES = 20 << 20
"""Less than this leaves no room for a few images and the database's own needs."""
_EARLIEST = datetime(2025, 1, 1, tzinfo=UTC)
"""Before this program was written: a clock that says less is wrong, and so would be every record."""


def versions() -> Finding:
    """Tell which versions run here."""
    try:
        ours = version("romwright")
    except PackageNotFoundError:
        return problem("version", "romwright is not installed in this Python", "Run `python3 dev.py setup`.")
    system = f"{platform.system()} {platform.release()}"
    return ok("version", f"romwright {ours}, Python {platform.python_version()}, {system}")


def configuration(loaded: "LoadedSettings") -> Finding:
    """Tell which configuration file is used."""
    if loaded.config_file_found:
        return ok("configuration", str(loaded.config_file))
    return ok("configuration", f"defaults; {loaded.config_file} does not exist")


def state_folder(path: Path) -> list[Finding]:
    """Look at the state directory and the room on its disk."""
    there = path
    while not there.exists() and there.parent != there:
        there = there.parent
    if there != path:
        if not os.access(there, os.W_OK | os.X_OK):
            return [
                problem(
                    "state folder", f"{path} cannot be made: {there} is not yours to write", _OTHER_FOLDER
                )
            ]
        return [ok("state folder", f"{path} will be made at the first start"), disk(there)]
    if not path.is_dir() or not os.access(path, os.R_OK | os.W_OK | os.X_OK):
        return [problem("state folder", f"{path} is not a folder that you can write", _OTHER_FOLDER)]
    if sys.platform != "win32" and path.stat().st_mode & 0o077:
        return [
            attention("state folder", f"{path} is open to other users", f"Close it: chmod 700 {path}"),
            disk(path),
        ]
    return [ok("state folder", str(path)), disk(path)]


_OTHER_FOLDER = "Mend its permissions, or name another folder with ROMWRIGHT_STATE_DIR."


def disk(path: Path) -> Finding:
    """Look at the room on the disk that holds `path`."""
    free_bytes = shutil.disk_usage(path).free
    words = f"{free_bytes / (1 << 20):,.0f} MiB free at {path}"
    if free_bytes < _FULL_BYTES:
        return problem("disk", words, "Make room: jobs could not be recorded.")
    if free_bytes < _TIGHT_BYTES:
        return attention("disk", words, "Make room before long.")
    return ok("disk", words)


def clock(now: datetime) -> Finding:
    """See whether the clock can be right."""
    words = now.astimezone().strftime("%Y-%m-%d %H:%M:%S %Z").strip()
    if now < _EARLIEST:
        return attention("clock", f"{words} cannot be right", "Set the clock: records carry its time.")
    return ok("clock", words)
