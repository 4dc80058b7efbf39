"""Errors of ports, with a hint a person can act on: whose group, which command, who holds the port."""

import errno
import os
import sys

from daemon.errors import BenchError, Code

_MISSING = {errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.EIO, errno.ENOTDIR}
_PERMISSION = {errno.EACCES, errno.EPERM}
_BUSY = {errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK}


def port_missing(path: str, reason: object = "") -> BenchError:
    """Say that nothing answers to that name."""
    return BenchError(
        Code.PORT_MISSING,
        f"There is no port {path}{_because(reason)}.",
        hint="Check the cable and the programmer's power. A port can come back under another name.",
        details={"path": path},
    )


def port_lost(path: str, reason: object = "") -> BenchError:
    """Say that the far end went away while the port was open."""
    return BenchError(
        Code.PORT_LOST,
        f"The connection on {path} was lost{_because(reason)}.",
        hint="Check the cable and the programmer's power.",
        details={"path": path},
    )


def port_closed(path: str) -> BenchError:
    """Say that the port is not open, or was closed while a read or write was pending."""
    return BenchError(Code.PORT_CLOSED, f"The port {path} is closed.", details={"path": path})


def port_unusable(path: str, reason: object) -> BenchError:
    """Say that the name exists but cannot serve as a port."""
    return BenchError(
        Code.PORT_UNUSABLE,
        f"{path} cannot be used as a port{_because(reason)}.",
        hint="Name the programmer's own port; `romwright doctor` lists the ports that are there.",
        details={"path": path},
    )


def port_write_timeout(path: str, unsent: int, timeout_s: float) -> BenchError:
    """Say that the far end did not take the bytes in time."""
    return BenchError(
        Code.PORT_WRITE_TIMEOUT,
        f"{path} did not take {unsent} bytes within {timeout_s:.1f} s.",
        hint="The programmer has stopped listening: disconnect it, connect it again and retry.",
        details={"path": path, "unsent_bytes": unsent, "timeout_s": timeout_s},
    )


def port_busy(path: str, node: str | None = None) -> BenchError:
    """Say that another program has the port; its process is named where Linux tells us cheaply.

    `node` is the device file to look at where it is not `path` itself, as with USB devices.
    """
    holder = "another program"
    details: dict[str, object] = {"path": path}
    if sys.platform == "linux":
        from daemon.transport import linux_node

        pid = linux_node.holder(node or path)
        if pid is not None:
            name = linux_node.process_name(pid)
            details |= {"pid": pid, "program": name}
            holder = f"{name or 'a program'} (process {pid})"
            if pid == os.getpid():
                holder = f"this program itself (process {pid})"
    return BenchError(
        Code.PORT_BUSY,
        f"{path} is in use by {holder}.",
        hint="Close that program, or the other bench that has this port, and try again.",
        details=details,
    )


def port_permission(path: str, node: str | None = None) -> BenchError:
    """Say that the user may not open the port; on Linux the hint names the group and the command.

    `node` as in `port_busy`.
    """
    details: dict[str, object] = {}
    if sys.platform == "linux":
        from daemon.transport import linux_node

        hint, details = linux_node.permission_hint(node or path)
    elif sys.platform == "win32":
        hint = "Close other programs that use the port, and check its driver in the Device Manager."
    else:
        hint = f"Look at `ls -l {node or path}`: your user needs read and write permission on it."
    return BenchError(
        Code.PORT_PERMISSION,
        f"You have no permission to open {path}.",
        hint=hint,
        details={"path": path} | details,
    )


def explain_open_failure(path: str, error: BaseException) -> BenchError:
    """Turn whatever opening `path` raised into one of the errors above."""
    number = _errno_of(error)
    if number is None:
        return explain_text(path, str(error))
    if number in _MISSING:
        return port_missing(path, os.strerror(number))
    if number in _PERMISSION:
        return port_permission(path)
    if number in _BUSY:
        return port_busy(path)
    return port_unusable(path, error)


def explain_text(path: str, text: str) -> BenchError:
    """Read the cause out of pyserial's text: on Windows its exception carries no number.

    The text holds the repr of the system's error. Windows has no per-user right on COM ports: it denies
    access when another program has the port.
    """
    if "FileNotFoundError" in text:
        return port_missing(path)
    if "PermissionError" in text:
        return port_busy(path)
    return port_unusable(path, text)


def _because(reason: object) -> str:
    text = str(reason).strip().rstrip(".")
    return f": {text}" if text else ""


def _errno_of(error: BaseException | None) -> int | None:
    """Find the system's error number in an exception or in what caused it (pyserial often drops it)."""
    for _ in range(8):  # a chain of causes is short; the bound keeps a cycle from holding us
        if error is None:
            return None
        number = getattr(error, "errno", None)
        if not isinstance(number, int) and error.args:
            number = error.args[0]  # termios.error is no OSError and keeps its number here
        if isinstance(number, int):
            return number
        error = error.__cause__ or error.__context__
    return None
