"""A pseudo-terminal as a simulated programmer's port, on systems that have them (not Windows)."""

import os
from contextlib import suppress

from simulator.endpoints import READ_BYTES, Endpoint, Selectable


class PseudoTerminal(Endpoint):
    """A serial port that a host opens by its path, closes and opens again, as it would a board's.

    The far side is kept open here, too: so its path stays and reading here does not fail while no host has
    it. Bytes for a host that is not there stay in the system's buffer (a few kilobytes) until it is full; a
    host drops them when it opens the port, as it does with a real one.
    """

    def __init__(self) -> None:
        self._near: int | None = None
        self._far: int | None = None
        self._path = ""

    @property
    def path(self) -> str:
        """The device file, such as /dev/pts/7."""
        return self._path

    def open(self) -> None:
        """See the base class."""
        import pty  # both are missing where there are no pseudo-terminals
        import tty

        self._near, self._far = pty.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self._path = os.ttyname(self._far)

    def readers(self) -> tuple[Selectable, ...]:
        """See the base class."""
        return () if self._near is None else (self._near,)

    def writers(self) -> tuple[Selectable, ...]:
        """See the base class."""
        return self.readers()

    def read(self) -> bytes:
        """See the base class."""
        assert self._near is not None
        try:
            return os.read(self._near, READ_BYTES)
        except BlockingIOError:
            return b""

    def write(self, data: bytes) -> int:
        """See the base class."""
        assert self._near is not None
        try:
            return os.write(self._near, data)
        except BlockingIOError:
            return 0

    def close(self) -> None:
        """See the base class."""
        for end in (self._near, self._far):
            if end is not None:
                with suppress(OSError):
                    os.close(end)
        self._near = self._far = None
