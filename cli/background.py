"""A daemon in the background: started when a client needs one, ended by `romwright stop`."""

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cli.exit_codes import Exit
from cli.failure import Failure, failure_of
from daemon.errors import BenchError
from daemon.runtime_file import RuntimeInfo, find_running, process_is_alive

if TYPE_CHECKING:
    from daemon.settings import LoadedSettings

LOG_FILE = "daemon.log"
STARTED_FILE = "background.pid"
_LOG_MAX_BYTES = 1 << 20
_START_S = 20.0
"""A slow machine with a cold disk needs a few seconds; what takes longer than this hangs."""
_OTHERS_START_S = 1.5
_ATTEMPTS = 4
_TAIL_LINES = 20
_STOP_S = 12.0
_LOOK_S = 0.05
_TOLD = "romwright: "
"""What a command's own words of failure begin with."""
_FOLDERS = ("state_dir", "runtime_dir", "parts_dir", "adapters_dir")
_started: list[subprocess.Popen[bytes]] = []
"""Daemons of this process: they outlive it, so nobody waits for them."""


def start(loaded: "LoadedSettings", config: Path | None, port: str | None) -> RuntimeInfo:
    """Start a daemon of its own process and wait until clients can find it.

    When another client is faster, its daemon is taken. Raises `Failure` with what the daemon's log says.
    """
    for _ in range(_ATTEMPTS):
        process = _spawn(loaded, config, port)
        info = _wait_for(loaded, process)
        if info is not None:
            if info.pid == process.pid:
                _note_start(loaded, info)
            return info
        if process.poll() != int(Exit.UNREACHABLE):
            break
        # The folder was taken, perhaps by a daemon that was about to end: try again.
    raise _not_started(loaded, process)


def _spawn(loaded: "LoadedSettings", config: Path | None, port: str | None) -> "subprocess.Popen[bytes]":
    log = _open_log(loaded.settings.state_dir)
    try:
        process = subprocess.Popen(  # noqa: S603 - our own command, no shell
            _command(config, port),
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            cwd=loaded.settings.state_dir,
            env=_environment(loaded),
            **_detached(),
        )
    finally:
        os.close(log)
    _started.append(process)
    return process


def _note_start(loaded: "LoadedSettings", info: RuntimeInfo) -> None:
    with contextlib.suppress(OSError):
        (loaded.settings.runtime_dir / STARTED_FILE).write_text(f"{info.pid}\n", encoding="ascii")


def published(loaded: "LoadedSettings") -> RuntimeInfo | None:
    """Return what a running daemon has told its clients; None when there is none. Raises `Failure`."""
    try:
        return find_running(loaded.settings.runtime_dir)
    except BenchError as error:
        raise failure_of(error) from error
    except NotADirectoryError:
        return None  # starting a daemon will tell what stands in the way
    except OSError as error:
        raise Failure(
            Exit.UNREACHABLE,
            f"{error.filename}: {error.strerror}",
            "The daemon's address is kept there: mend the permissions, or use another runtime_dir.",
        ) from error


def started_by_a_client(loaded: "LoadedSettings", info: RuntimeInfo) -> bool:
    """Say whether this daemon was started in the background, and not by its user as `romwright serve`."""
    try:
        text = (loaded.settings.runtime_dir / STARTED_FILE).read_text(encoding="ascii")
    except OSError:
        return False
    return text.strip() == str(info.pid)


def end(info: RuntimeInfo) -> None:
    """End the daemon and wait until it is gone; on Windows only after its jobs have been cancelled.

    Raises `Failure` when it does not go.
    """
    if not process_is_alive(info.pid):
        return
    try:
        os.kill(info.pid, signal.SIGTERM)
    except ProcessLookupError:
        return
    except PermissionError as error:
        raise Failure(
            Exit.REFUSED,
            f"the daemon (process {info.pid}) belongs to another user",
            "Stop it where it was started.",
        ) from error
    deadline_s = time.monotonic() + _STOP_S
    while _alive(info.pid):
        if time.monotonic() < deadline_s:
            time.sleep(_LOOK_S)
            continue
        raise Failure(
            Exit.REFUSED,
            f"the daemon (process {info.pid}) does not end",
            "Look at its log; `romwright doctor` says where that is.",
        )


def _alive(pid: int) -> bool:
    for process in _started:
        if process.pid == pid:
            return process.poll() is None  # else a child of ours would stay as a zombie
    return process_is_alive(pid) and not _is_zombie(pid)


def _is_zombie(pid: int) -> bool:
    """Say whether a process has ended and only waits for its parent to notice (Linux: proc_pid_stat(5)).

    In a container the process that inherits it may take seconds, or never do it.
    """
    try:
        stat = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace")
    except OSError:
        return False
    return stat.rpartition(")")[2].split()[0] == "Z"


def _command(config: Path | None, port: str | None) -> Sequence[str]:
    # -P: the working folder must not lend the daemon its modules.
    command = [sys.executable, "-P", "-m", "cli.main", "serve"]
    if config is not None:
        command += ["--config", str(config.expanduser().absolute())]
    if port is not None:
        command += ["--port", port]
    return command


def _environment(loaded: "LoadedSettings") -> dict[str, str]:
    """Make folders from the environment absolute, since the daemon works in another folder."""
    from daemon.settings import OriginKind

    environment = dict(os.environ)
    for key in _FOLDERS:
        if loaded.origins[key].kind is OriginKind.ENVIRONMENT:
            environment[f"ROMWRIGHT_{key.upper()}"] = str(getattr(loaded.settings, key))
    if loaded.config_file_found:
        environment["ROMWRIGHT_CONFIG"] = str(loaded.config_file)
    return environment


def _detached() -> dict[str, Any]:
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NO_WINDOW | subprocess.CREATE_NEW_PROCESS_GROUP}
    return {"start_new_session": True}


def _open_log(state_dir: Path) -> int:
    from daemon.state_dir import prepare_private_dir

    try:
        path = prepare_private_dir(state_dir) / LOG_FILE
        if path.exists() and path.stat().st_size > _LOG_MAX_BYTES:
            path.replace(path.with_suffix(".log.1"))
        return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    except BenchError as error:
        raise failure_of(error) from error
    except OSError as error:
        raise Failure(
            Exit.UNREACHABLE, f"{state_dir}: the daemon's log cannot be written ({error.strerror})"
        ) from error


def _wait_for(loaded: "LoadedSettings", process: "subprocess.Popen[bytes]") -> RuntimeInfo | None:
    """Return the daemon that clients can find, ours or another's; None when there is none in time.

    One that ended at once may have found the folder taken: then the other daemon's file comes soon.
    """
    deadline_s = time.monotonic() + _START_S
    ended = False
    while time.monotonic() < deadline_s:
        if info := published(loaded):
            return info
        if not ended and process.poll() is not None:
            ended = True
            deadline_s = min(deadline_s, time.monotonic() + _OTHERS_START_S)
        time.sleep(_LOOK_S)
    return None


def _not_started(loaded: "LoadedSettings", process: "subprocess.Popen[bytes]") -> Failure:
    log = loaded.settings.state_dir / LOG_FILE
    if process.poll() is None:
        process.terminate()
        what = f"the daemon was not ready within {_START_S:.0f} s"
    else:
        what = f"the daemon could not be started (it ended with {process.returncode})"
    if said := _last_words(log):
        what = f"{what}: {said}"
    return Failure(Exit.UNREACHABLE, what, f"Its log is {log}; `romwright serve` shows the same in the open.")


def _last_words(log: Path) -> str:
    try:
        lines = log.read_text(encoding="utf-8", errors="replace").split("\n")[-_TAIL_LINES:]
    except OSError:
        return ""
    said = [line.removeprefix(_TOLD) for line in lines if line.startswith(_TOLD)]
    return said[-1] if said else ""
