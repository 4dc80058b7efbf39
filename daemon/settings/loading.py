"""Merge the sources of settings, keep track of where each value came from, and explain what is wrong."""

import difflib
import os
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_settings import EnvSettingsSource

from daemon.errors import BenchError, Code
from daemon.settings import places
from daemon.settings.fields import ENV_PREFIX, TCP_SCHEME, Settings
from daemon.settings.origins import LoadedSettings, Origin, OriginKind, shown

CONFIG_VARIABLE = f"{ENV_PREFIX}CONFIG"
OTHER_VARIABLES = frozenset({CONFIG_VARIABLE, f"{ENV_PREFIX}URL", f"{ENV_PREFIX}TOKEN"})
"""Variables with our prefix that are no settings: where the file is, and which bench a client talks to."""
TEST_PREFIX = f"{ENV_PREFIX}TEST_"

_FOLDERS = frozenset({"state_dir", "runtime_dir", "parts_dir", "adapters_dir"})


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with the settings."""

    origin: Origin
    key: str
    reason: str
    accepts: str = ""

    def __str__(self) -> str:
        where = f"{self.origin.where}: " if self.origin.where else ""
        key = f"{self.key}: " if self.key and self.origin.kind is OriginKind.FILE else ""
        accepts = f" (accepted: {self.accepts})" if self.accepts else ""
        return f"{where}{key}{self.reason}{accepts}"


def load_settings(cli: Mapping[str, Any]) -> LoadedSettings:
    """Do the work of `Settings.load`."""
    config_file, must_exist = _config_file(cli.get("config"))
    file_values, found = _read_file(config_file, must_exist)
    cli_values = {key: value for key, value in cli.items() if value is not None and key != "config"}
    env_values = EnvSettingsSource(Settings)()
    problems = [
        *_unknown(cli_values, OriginKind.COMMAND_LINE, config_file),
        *_unknown_variables(),
        *_unknown(file_values, OriginKind.FILE, config_file),
    ]
    values: dict[str, Any] = {}
    origins: dict[str, Origin] = {}
    layers = [
        (OriginKind.FILE, _beside(config_file, file_values)),
        (OriginKind.ENVIRONMENT, env_values),
        (OriginKind.COMMAND_LINE, cli_values),
    ]
    for kind, layer in layers:
        for key, value in layer.items():
            values[key] = value
            origins[key] = Origin(kind, _where(kind, key, config_file))
    known = {key: value for key, value in values.items() if key in Settings.model_fields}
    settings, found_wrong = _validate(known, origins)
    problems += found_wrong
    if settings is not None:
        problems += _network_ports_outside_the_file(settings, origins)
    if problems or settings is None:
        raise _refusal(problems)
    for key in Settings.model_fields:
        origins.setdefault(key, Origin(OriginKind.DEFAULT, _why_default(key)))
    return LoadedSettings(settings, {key: origins[key] for key in Settings.model_fields}, config_file, found)


def _config_file(named: Any) -> tuple[Path, bool]:
    text = str(named) if named else os.environ.get(CONFIG_VARIABLE, "")
    if text:
        return Path(text).expanduser().absolute(), True
    return (places.config_dir() / places.CONFIG_FILE).absolute(), False


def _read_file(path: Path, must_exist: bool) -> tuple[dict[str, Any], bool]:
    try:
        # utf-8-sig: some editors on Windows begin a file with a byte order mark, which TOML does not know.
        return tomllib.loads(path.read_text(encoding="utf-8-sig")), True
    except FileNotFoundError as error:
        if not must_exist:
            return {}, False
        raise _unreadable(path, "there is no such file") from error
    except OSError as error:
        raise _unreadable(path, error.strerror or str(error)) from error
    except UnicodeDecodeError as error:
        raise _unreadable(path, f"not UTF-8 text (byte {error.start})") from error
    except tomllib.TOMLDecodeError as error:
        raise _unreadable(path, f"not valid TOML: {error}") from error


def _unreadable(path: Path, reason: str) -> BenchError:
    return BenchError(
        Code.SETTINGS_INVALID,
        f"{path}: {reason}",
        hint="put the file right, or name another with --config or ROMWRIGHT_CONFIG",
        field=str(path),
        details={"problems": [{"where": str(path), "key": "", "reason": reason, "accepts": ""}]},
    )


def _beside(config_file: Path, values: Mapping[str, Any]) -> dict[str, Any]:
    """Take relative folders in the file as beside it: the daemon may be started from anywhere."""
    return {
        key: config_file.parent / Path(value).expanduser()
        if key in _FOLDERS and isinstance(value, str) and value
        else value
        for key, value in values.items()
    }


def _where(kind: OriginKind, key: str, config_file: Path) -> str:
    match kind:
        case OriginKind.COMMAND_LINE:
            return f"--{key.replace('_', '-')}"
        case OriginKind.ENVIRONMENT:
            return f"{ENV_PREFIX}{key.upper()}"
        case OriginKind.FILE:
            return str(config_file)
        case OriginKind.DEFAULT:
            return ""


def _why_default(key: str) -> str:
    variable = {
        "state_dir": "STATE_DIRECTORY",
        "runtime_dir": "RUNTIME_DIRECTORY",
        "parts_dir": "CONFIGURATION_DIRECTORY",
        "adapters_dir": "CONFIGURATION_DIRECTORY",
    }
    if key in variable and places.from_systemd(variable[key]):
        return variable[key]
    return "in state_dir" if key in {"runtime_dir", "database_url"} else ""


def _validate(
    values: Mapping[str, Any], origins: Mapping[str, Origin]
) -> tuple[Settings | None, list[Problem]]:
    try:
        return Settings(**values), []
    except ValidationError as error:
        problems = []
        for found in error.errors(include_url=False, include_context=False):
            key = str(found["loc"][0]) if found["loc"] else "host"  # only the rule on host spans fields
            if found["type"] == "default_factory_not_called":
                continue  # follows from another value that is wrong
            accepts = _accepts(key) if found["loc"] else ""
            reason = found["msg"].removeprefix("Value error, ")
            if found["loc"]:
                reason = f"{_input_shown(found['input'])}: {reason}"
            problems.append(Problem(origins.get(key, Origin(OriginKind.DEFAULT)), key, reason, accepts))
        return None, problems


def _input_shown(value: Any) -> str:
    text = shown(value)
    return repr(text if len(text) <= 80 else text[:77] + "...")


def _accepts(key: str) -> str:
    extra = Settings.model_fields[key].json_schema_extra
    return str(extra["accepts"]) if isinstance(extra, dict) else ""


def _network_ports_outside_the_file(settings: Settings, origins: Mapping[str, Origin]) -> list[Problem]:
    """Let only the file name network ports, so that nobody's request or environment opens a connection."""
    origin = origins.get("ports")
    if origin is None or origin.kind is OriginKind.FILE:
        return []
    return [
        Problem(origin, "ports", f"{name!r}: a network port is only accepted in the configuration file")
        for name in settings.ports
        if name.startswith(TCP_SCHEME)
    ]


def _unknown(values: Iterable[str], kind: OriginKind, config_file: Path) -> list[Problem]:
    return [
        Problem(Origin(kind, _where(kind, key, config_file)), key, _no_such(key, Settings.model_fields))
        for key in values
        if key not in Settings.model_fields
    ]


def _unknown_variables() -> list[Problem]:
    known = {f"{ENV_PREFIX}{key.upper()}" for key in Settings.model_fields} | OTHER_VARIABLES
    return [
        Problem(Origin(OriginKind.ENVIRONMENT, name), name, _no_such(name.upper(), known))
        for name in sorted(os.environ)
        if name.upper().startswith(ENV_PREFIX)
        and name.upper() not in known
        and not name.upper().startswith(TEST_PREFIX)
    ]


def _no_such(key: str, known: Iterable[str]) -> str:
    names = sorted(known)
    near = difflib.get_close_matches(key, names, n=1)
    return "there is no such setting" + (
        f"; did you mean {near[0]}?" if near else f": choose from {', '.join(names)}"
    )


def _refusal(problems: list[Problem]) -> BenchError:
    first = problems[0]
    return BenchError(
        Code.SETTINGS_INVALID,
        "; ".join(str(problem) for problem in problems),
        hint="`romwright config` shows every setting, its value and where that comes from",
        field=f"{first.origin.where}: {first.key}" if first.origin.kind is OriginKind.FILE else first.key,
        details={
            "problems": [
                {
                    "where": str(problem.origin),
                    "key": problem.key,
                    "reason": problem.reason,
                    "accepts": problem.accepts,
                }
                for problem in problems
            ]
        },
    )
