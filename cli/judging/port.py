"""The port of the device under test: found, taken from an idle daemon, opened, and driven as a raw line."""

import os
import time
from pathlib import Path
from typing import TYPE_CHECKING

from cli import background
from cli.exit_codes import Exit
from cli.failure import Failure, failure_of
from cli.out import Out
from cli.reach import Reach, connect, load_settings, running, settled_programmers
from daemon.errors import BenchError
from daemon.transport.base import PortKind, Transport

if TYPE_CHECKING:
    from daemon.settings import LoadedSettings

_BOOT_S = 2.0
"""How long a board that restarts when its port opens is left alone (`SPEC.md` H2)."""
_SLICE_S = 0.25


class PortLine:
    """A transport as the conformance checks want their line."""

    def __init__(self, transport: Transport) -> None:
        self._transport = transport

    def now_s(self) -> float:
        """Return the time of this machine's steady clock, seconds."""
        return time.monotonic()

    def send(self, data: bytes) -> None:
        """Put all of `data` on the line."""
        self._transport.write(data)

    def receive(self, until_s: float) -> bytes:
        """Return what has come as soon as anything has, b"" once it is `until_s`."""
        while True:
            left_s = until_s - time.monotonic()
            data = self._transport.read(min(max(left_s, 0.0), _SLICE_S))
            if data or left_s <= 0:
                return data

    def settle(self) -> None:
        """Leave a board that may be restarting alone, and drop what it says meanwhile."""
        until_s = self.now_s() + _BOOT_S
        while self.receive(until_s):
            pass


def kind_and_path(target: str, config: Path | None, out: Out) -> tuple[PortKind, str]:
    """Return which port `target` means: a port, or the name of a programmer that the daemon knows.

    The port is free afterwards: an idle daemon of ours is ended. Raises `Failure`.
    """
    loaded = load_settings(config)
    if "://" in target or target.startswith("usb:"):
        return _named_in_settings(target, loaded, out)
    if os.path.exists(target) or (os.name == "nt" and target.upper().startswith("COM")):
        path = str(Path(target).absolute()) if os.name == "posix" else target
        _free(path, loaded, out)
        return PortKind.SERIAL, path
    path = _path_of_programmer(target, config, out)
    _free(path, loaded, out)
    return _kind_of(path), path


def _kind_of(path: str) -> PortKind:
    if path.startswith("tcp://"):
        return PortKind.TCP
    return PortKind.USB if path.startswith("usb:") else PortKind.SERIAL


def _named_in_settings(target: str, loaded: "LoadedSettings", out: Out) -> tuple[PortKind, str]:
    from daemon.discovery.ports import enumerate_ports

    if target not in {each.path for each in enumerate_ports(loaded.settings)}:
        raise Failure(
            Exit.USAGE,
            f"{target}: a network or USB port is only accepted when it is discovered or in the settings",
            f'Write `ports = ["{target}"]` in romwright.toml, or in a file that you name with --config.',
        )
    _free(target, loaded, out)
    return _kind_of(target), target


def _path_of_programmer(name: str, config: Path | None, out: Out) -> str:
    if "/" in name or "\\" in name:
        raise Failure(Exit.UNREACHABLE, f"there is no port {name}", "`romwright doctor` shows the ports.")
    with connect(Reach(config), out) as client:
        found = settled_programmers(client)
    for each in found:
        if name in (each["id"], each.get("name"), each["serial"]):
            return str(each["path"])
    there = ", ".join(str(each.get("name") or each["id"] or each["path"]) for each in found) or "none"
    raise Failure(
        Exit.UNREACHABLE,
        f"{name} is neither a port nor a programmer",
        f"Programmers: {there}. `romwright doctor` shows the ports.",
        code="no-programmer",
    )


def _free(path: str, loaded: "LoadedSettings", out: Out) -> None:
    """End an idle daemon of ours that has the port; refuse when it has work or is its user's own."""
    found = running(loaded)
    if found is None:
        return
    client, info = found
    with client:
        programmers = list(client.get("/v1/programmers")["programmers"])
    if not any(_same(str(each["path"]), path) for each in programmers):
        return
    busy = any(each.get("running_job_id") or each.get("queued_jobs") for each in programmers)
    if busy or not background.started_by_a_client(loaded, info):
        what = "has work to do" if busy else "was started by hand"
        raise Failure(
            Exit.UNREACHABLE,
            f"the bench daemon has {path}, and it {what}",
            "Two programs on one port spoil both. Stop it first (`romwright stop`), start it again later.",
        )
    background.end(info)
    out.note(f"ended the idle bench daemon, which had {path}; the next command starts it again")


def _same(one: str, other: str) -> bool:
    if os.name == "posix":
        return os.path.realpath(one) == os.path.realpath(other)
    return one.upper() == other.upper()


def opened(kind: PortKind, path: str, baud: int) -> Transport:
    """Return an open transport. Raises `Failure`."""
    from daemon.transport.choose import transport_for

    transport = transport_for(kind, path, baud=baud)
    try:
        transport.open()
    except BenchError as error:
        transport.close()
        raise failure_of(error) from error
    return transport
