"""Where things are kept by default: in systemd's folders if it gave some, else in the platform's."""

import os
from pathlib import Path

from platformdirs import PlatformDirs

APP = "romwright"
CONFIG_FILE = "romwright.toml"
DATABASE_FILE = "bench.db"
_DIRS = PlatformDirs(APP, appauthor=False)


def from_systemd(variable: str) -> Path | None:
    """Return the first folder in one of systemd's variables (systemd.exec(5): colons join several)."""
    first = os.environ.get(variable, "").split(":")[0] if os.name == "posix" else ""
    return Path(first) if first else None


def state_dir() -> Path:
    """Return the default folder for the database and image contents."""
    return from_systemd("STATE_DIRECTORY") or Path(_DIRS.user_state_dir)


def runtime_dir(used_state_dir: Path) -> Path:
    """Return the default folder for the file by which clients find the daemon.

    Not the platform's own runtime folder: that depends on how one logged in, and a client started elsewhere
    (another terminal, a CI script) would not find the daemon whose state directory it shares.
    """
    return from_systemd("RUNTIME_DIRECTORY") or used_state_dir / "run"


def config_dir() -> Path:
    """Return the default folder for the configuration file and the user's parts."""
    return from_systemd("CONFIGURATION_DIRECTORY") or Path(_DIRS.user_config_dir)
