"""What a user may set: command line over environment over file over default."""

from daemon.settings.fields import LogLevel, Settings
from daemon.settings.origins import LoadedSettings, Origin, OriginKind, SettingRow

__all__ = ["LoadedSettings", "LogLevel", "Origin", "OriginKind", "SettingRow", "Settings"]
