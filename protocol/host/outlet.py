"""Where frames leave the link: one buffer that the owner drains, and the counting."""

from protocol.host.events import LinkCounters


class Outlet:
    """Bytes on their way to the port. Window and retransmission limits bound it."""

    def __init__(self, counters: LinkCounters) -> None:
        self._counters = counters
        self._waiting = bytearray()

    def send(self, wire: bytes, *, frames: int = 1) -> None:
        """Append encoded bytes that hold `frames` frames."""
        self._waiting += wire
        self._counters.frames_out += frames
        self._counters.bytes_out += len(wire)

    def take(self) -> bytes:
        """Return and forget what waits."""
        taken = bytes(self._waiting)
        self._waiting.clear()
        return taken
