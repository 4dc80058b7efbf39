"""Tell the service manager how the daemon stands (systemd's sd_notify protocol: one datagram a message)."""

import contextlib
import os
import socket
from collections.abc import Mapping


def notify(message: str, environment: Mapping[str, str] = os.environ) -> bool:
    """Send `message` (such as "READY=1") to the socket that NOTIFY_SOCKET names; say whether one took it.

    Without that variable, or when nobody listens, nothing happens: the daemon runs as well by hand.
    """
    address = environment.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")) or not hasattr(socket, "AF_UNIX"):
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]  # Linux's abstract names begin with a zero byte
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
        out.sendto(message.encode(), address)
        return True
    return False
