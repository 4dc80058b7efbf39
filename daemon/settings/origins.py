"""Settings together with where each value came from."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from daemon.settings.fields import Settings

_PASSWORD = re.compile(r"(?<=://)([^/@]*?):[^/]*@")


class OriginKind(StrEnum):
    """The four places a value can come from, strongest first."""

    COMMAND_LINE = "command line"
    ENVIRONMENT = "environment"
    FILE = "file"
    DEFAULT = "default"


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a value came from; `where` is an option, a variable, a file, or the reason for a default."""

    kind: OriginKind
    where: str = ""

    def __str__(self) -> str:
        return f"{self.kind} ({self.where})" if self.where else str(self.kind)


@dataclass(frozen=True, slots=True)
class SettingRow:
    """One line of the table that shows the settings; passwords are hidden in `value`."""

    key: str
    value: str
    origin: Origin
    meaning: str


@dataclass(frozen=True, slots=True)
class LoadedSettings:
    """The settings in force, the origin of each, and the file that was or would have been read."""

    settings: "Settings"
    origins: Mapping[str, Origin]
    config_file: Path
    config_file_found: bool

    def rows(self) -> tuple[SettingRow, ...]:
        """Return every setting for display, in the order of their declaration."""
        return tuple(
            SettingRow(key, shown(getattr(self.settings, key)), self.origins[key], field.description or "")
            for key, field in type(self.settings).model_fields.items()
        )


def shown(value: Any) -> str:
    """Return a value as a person would type it, with the password of a URL hidden."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        return ", ".join(shown(item) for item in value)
    return _PASSWORD.sub(r"\1:***@", str(value))
