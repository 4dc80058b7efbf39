"""From a command to the daemon and the programmer it means: found, waited for, or started."""

import os
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cli import background
from cli.client import BenchClient
from cli.exit_codes import Exit
from cli.failure import Failure, failure_of
from cli.out import Out
from daemon.errors import BenchError
from daemon.runtime_file import RuntimeInfo

if TYPE_CHECKING:
    from daemon.settings import LoadedSettings

_PATIENCE_S = 10.0
"""How long a programmer may take to answer: a board that restarts when its port opens needs 2 s."""
_GLANCE_S = 2.5
"""A daemon that runs looks for ports every second: what is not there by then is not plugged in."""
_LOOK_S = 0.1


@dataclass(frozen=True, slots=True)
class Reach:
    """What the user said about the daemon and the programmer."""

    config: Path | None = None
    port: str | None = None
    programmer: str | None = None


def load_settings(config: Path | None, **given: Any) -> "LoadedSettings":
    """Read the settings; `Failure` with status USAGE when they are wrong."""
    from daemon.settings import Settings

    try:
        return Settings.load({"config": config, **given})
    except BenchError as error:
        raise failure_of(error) from error


def running(loaded: "LoadedSettings") -> tuple[BenchClient, RuntimeInfo] | None:
    """Return a client of the daemon that runs with these settings, None when there is none."""
    info = background.published(loaded)
    if info is None:
        return None
    client = BenchClient(info.url, info.token)
    try:
        client.get("/v1/programmers")  # needs the token, so that the answer proves whose daemon it is
    except Failure as failure:
        client.close()
        if failure.code in ("access-refused", "access-unproven") or failure.status is Exit.UNREACHABLE:
            return None  # the file is a dead daemon's, and its process number or port is another's now
        raise
    return client, info


def connect(reach: Reach, out: Out) -> BenchClient:
    """Return a client of the daemon: the one that is named, the one that runs, or a new one."""
    if url := os.environ.get("ROMWRIGHT_URL"):
        return BenchClient(url, os.environ.get("ROMWRIGHT_TOKEN", ""))
    port = _named_port(reach.port)
    loaded = load_settings(reach.config)
    found = running(loaded)
    if found is not None:
        client, info = found
        if port is None or any(_is_at(each, port) for each in _programmers(client)):
            return client
        _make_way(client, info, loaded, port, out)
    info = background.start(loaded, reach.config, port)
    out.note(f"started the bench daemon in the background at {info.url}; `romwright stop` ends it")
    client = BenchClient(info.url, info.token)
    client.started_now = True
    return client


def _named_port(port: str | None) -> str | None:
    """Check a port given on the command line and make it independent of the working folder."""
    if port is None:
        return None
    if "://" in port:
        raise Failure(
            Exit.USAGE,
            f"{port}: a network port is only accepted in the configuration file",
            f'Write `ports = ["{port}"]` in romwright.toml, or in a file that you name with --config.',
        )
    path = Path(port)
    return str(path.absolute()) if os.name == "posix" else port


def _make_way(client: BenchClient, info: RuntimeInfo, loaded: "LoadedSettings", port: str, out: Out) -> None:
    """End an idle daemon of ours that does not look at the port; refuse to end any other."""
    busy = any(each.get("running_job_id") or each.get("queued_jobs") for each in _programmers(client))
    client.close()
    if busy or not background.started_by_a_client(loaded, info):
        what = "has work to do" if busy else "was started by hand"
        raise Failure(
            Exit.UNREACHABLE,
            f"the bench daemon that runs does not look at {port}, and it {what}",
            f'Write `ports = ["{port}"]` in the configuration file, or stop it first (`romwright stop`).',
        )
    background.end(info)
    out.note(f"ended the idle bench daemon, which did not look at {port}")


def choose_programmer(client: BenchClient, reach: Reach) -> dict[str, Any]:
    """Return the programmer to work with, waiting a little for one that is about to answer.

    Raises `Failure` when there is none or the choice is not clear.
    """
    begun_s = time.monotonic()
    while True:
        found = _programmers(client)
        usable = [each for each in found if each["state"] in ("ready", "busy")]
        wanted = [each for each in usable if _is_wanted(each, reach)]
        settled = not any(each["state"] == "connecting" for each in found)
        if len(wanted) == 1 and (settled or reach.programmer or reach.port):
            return wanted[0]
        late = time.monotonic() - begun_s > (_GLANCE_S if settled and not client.started_now else _PATIENCE_S)
        if wanted and (settled or late):
            return _one_of(wanted)
        refused = [each for each in found if each.get("problem") and _is_wanted(each, reach)]
        if late or (found and settled and not usable and len(refused) == len(found)):
            raise _none(found, refused, reach)
        time.sleep(_LOOK_S)


def settled_programmers(client: BenchClient) -> list[dict[str, Any]]:
    """Return all programmers, waiting a little for those that are about to answer."""
    begun_s = time.monotonic()
    while True:
        found = _programmers(client)
        settled = not any(each["state"] == "connecting" for each in found)
        if settled and (found or not client.started_now or time.monotonic() - begun_s > _GLANCE_S):
            return found
        if time.monotonic() - begun_s > _PATIENCE_S:
            return found
        time.sleep(_LOOK_S)


def _one_of(wanted: list[dict[str, Any]]) -> dict[str, Any]:
    if len(wanted) == 1:
        return wanted[0]
    names = ", ".join(str(each.get("name") or each["id"]) for each in wanted)
    raise Failure(
        Exit.USAGE,
        f"{len(wanted)} programmers are connected: {names}",
        "Say which one with --programmer NAME.",
        code="programmer-ambiguous",
    )


def _none(found: list[dict[str, Any]], refused: list[dict[str, Any]], reach: Reach) -> Failure:
    if refused:
        problem, path = refused[0]["problem"], refused[0]["path"]
        return Failure(
            Exit.UNREACHABLE,
            f"the programmer at {path} cannot be used: {problem['detail']}",
            str(problem.get("hint") or ""),
            code=str(problem.get("code", "")),
        )
    named = reach.programmer or reach.port
    if named and found:
        there = ", ".join(str(each.get("name") or each["id"] or each["path"]) for each in found)
        message, hint = f"there is no programmer {named}", f"Connected: {there}."
    else:
        message = f"no programmer answers at {reach.port}" if reach.port else "no programmer is connected"
        hint = (
            "Plug it in, or name its port with --port. With no hardware, run `romwright simulate` in another"
            " terminal and give the port it prints. `romwright doctor` shows the ports."
        )
    return Failure(Exit.UNREACHABLE, message, hint, code="no-programmer")


def _programmers(client: BenchClient) -> list[dict[str, Any]]:
    return list(client.get("/v1/programmers")["programmers"])


def _is_wanted(programmer: dict[str, Any], reach: Reach) -> bool:
    if reach.programmer:
        return reach.programmer in (programmer["id"], programmer.get("name"), programmer["serial"])
    return reach.port is None or _is_at(programmer, reach.port)


def _is_at(programmer: dict[str, Any], port: str) -> bool:
    path = str(programmer["path"])
    if os.name == "posix":
        return os.path.realpath(path) == os.path.realpath(port)
    return path.upper() == port.upper()
