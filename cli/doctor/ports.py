"""The ports: which there are, whether this user may open them, and who has them open."""

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from cli.doctor.findings import Finding, attention, ok, problem

if TYPE_CHECKING:
    from daemon.discovery.ports import Candidate
    from daemon.settings import Settings

_PROC = Path("/proc")


def ports(settings: "Settings", daemon_pid: int | None) -> list[Finding]:
    """Look at every port that the daemon would try. `daemon_pid`: whose holding a port is as it should be."""
    from daemon.discovery.ports import enumerate_ports

    found = [port(candidate, daemon_pid) for candidate in enumerate_ports(settings)]
    named = [name for name in settings.ports if "://" not in name and not name.startswith("usb:")]
    if sys.platform != "win32":
        found += [
            problem(
                f"port {name}",
                "named in the settings, but not there",
                "Plug it in, or take it out of `ports`.",
            )
            for name in named
            if not os.path.exists(name)
        ]
    if not found:
        return [
            attention(
                "ports",
                "no port that could have a programmer",
                "Plug one in; ports that are built in must be named in the setting `ports`. With no hardware,"
                " `romwright simulate` makes one.",
            )
        ]
    return found


def port(candidate: "Candidate", daemon_pid: int | None) -> Finding:
    """Look at one port, without opening it: that could restart what is behind."""
    subject = f"port {candidate.path}"
    path = Path(candidate.path)
    if sys.platform == "win32" or not candidate.path.startswith("/"):
        return ok(subject, candidate.description or candidate.kind.value)
    if not os.access(path, os.R_OK | os.W_OK):
        return problem(subject, f"you may not open it ({_owner_words(path)})", _permission_remedy(path))
    holders = [each for each in holders_of(path) if each[0] not in (daemon_pid, os.getpid())]
    if holders:
        who = ", ".join(f"{name} (process {pid})" for pid, name in holders)
        return attention(
            subject, f"held open by {who}", "Close it there: two programs on one port spoil both."
        )
    held = (
        ", held by the bench daemon"
        if daemon_pid and any(h[0] == daemon_pid for h in holders_of(path))
        else ""
    )
    return ok(subject, f"{candidate.description or candidate.kind.value}{held}")


def holders_of(path: Path) -> list[tuple[int, str]]:
    """Return the processes that have a device open, as far as this user may see (Linux: /proc/PID/fd)."""
    if not _PROC.is_dir():
        return []
    wanted = os.path.realpath(path)
    found = []
    for process in _PROC.iterdir():
        if process.name.isdigit() and _has_open(process / "fd", wanted):
            try:
                name = (process / "comm").read_text(encoding="utf-8", errors="replace").strip()
            except OSError:
                name = "a process"
            found.append((int(process.name), name))
    return sorted(found)


def _has_open(folder: Path, wanted: str) -> bool:
    try:
        return any(os.readlink(each) == wanted for each in folder.iterdir())
    except OSError:
        return False  # another user's, or it has just ended


def _owner_words(path: Path) -> str:
    if sys.platform == "win32":
        return ""
    import grp
    import pwd

    found = path.stat()
    try:
        user = pwd.getpwuid(found.st_uid).pw_name
    except KeyError:
        user = str(found.st_uid)
    try:
        group = grp.getgrgid(found.st_gid).gr_name
    except KeyError:
        group = str(found.st_gid)
    return f"owner {user}, group {group}, mode {found.st_mode & 0o777:03o}"


def _permission_remedy(path: Path) -> str:
    if sys.platform == "win32":
        return ""
    import grp

    try:
        group = grp.getgrgid(path.stat().st_gid).gr_name
    except KeyError:
        return "Ask who looks after this machine."
    if group == "root":
        return f"Give your user access by a udev rule for {path}."
    if path.stat().st_gid in os.getgroups():
        return f"You are in the group {group}, but it may not write: mend the mode of {path}."
    return f"Join the group {group} (`sudo usermod -aG {group} $USER`), then log out and in again."
