"""What Linux tells about a device file: who holds it, whose group it is. Not to be imported elsewhere."""

import os
import stat
import sys
from pathlib import Path

assert sys.platform == "linux"

import grp  # noqa: E402 - the assertion above tells type checkers to skip this file elsewhere
import pwd  # noqa: E402


def holder(path: str) -> int | None:
    """Return the process that has `path`: the one with the lock on it, else one that has it open."""
    return _lock_holder(path) or _file_holder(path)


def process_name(pid: int) -> str:
    """Return the short name of a process, "" when it has ended."""
    try:
        return Path(f"/proc/{pid}/comm").read_text("utf-8", "replace").strip()
    except OSError:
        return ""


def permission_hint(path: str) -> tuple[str, dict[str, object]]:
    """Return what to do about a refused `path`, and the owning group and mode for programs."""
    try:
        node = os.stat(path)
    except OSError:
        return f"Look at `ls -ld {os.path.dirname(path)}`: your user may not enter that folder.", {}
    mode = stat.filemode(node.st_mode)
    try:
        group = grp.getgrgid(node.st_gid).gr_name
    except KeyError:
        group = str(node.st_gid)
    details: dict[str, object] = {"group": group, "mode": mode}
    group_may = node.st_mode & 0o060 == 0o060
    if not group_may or group == "root":
        return (
            f"Its rights are {mode}, group {group}: no ordinary group may use it. A udev rule with "
            'GROUP="dialout", MODE="0660" for this device gives that group access.',
            details,
        )
    if _is_member(node.st_gid):
        return f"You were put into group {group} after you logged in: log out and in again.", details
    return f"Run `sudo usermod -aG {group} $USER`, then log out and in again.", details


def _lock_holder(path: str) -> int | None:
    """Read the holder of the exclusive lock from /proc/locks, which everyone may read."""
    try:
        node = os.stat(path)
        lines = Path("/proc/locks").read_text("ascii").splitlines()
    except OSError:
        return None
    wanted = f"{os.major(node.st_dev):02x}:{os.minor(node.st_dev):02x}:{node.st_ino}"
    for line in lines:
        # 1: FLOCK  ADVISORY  WRITE 4242 00:18:7 0 EOF
        fields = line.split()
        if len(fields) >= 6 and fields[1] == "FLOCK" and fields[5] == wanted and int(fields[4]) > 0:
            return int(fields[4])
    return None


def _file_holder(path: str) -> int | None:
    """Look for another process that has `path` open, as far as we may look."""
    real = os.path.realpath(path)
    for process in Path("/proc").glob("[0-9]*"):
        if process.name == str(os.getpid()):
            continue
        try:
            if any(os.readlink(link) == real for link in (process / "fd").iterdir()):
                return int(process.name)
        except OSError:  # it ended, or belongs to someone else
            continue
    return None


def _is_member(group_id: int) -> bool:
    """Return whether the group file lists this user, though the running session lacks the group."""
    try:
        return pwd.getpwuid(os.geteuid()).pw_name in grp.getgrgid(group_id).gr_mem
    except KeyError:
        return False
