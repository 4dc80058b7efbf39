"""What every transport does, and the kinds there are.

A transport carries bytes and knows nothing of frames. It is opened by a call and never by its constructor,
so one can be made, named in a list and thrown away without touching the hardware.
"""

from abc import ABC, abstractmethod
from enum import StrEnum

READ_BYTES_MAX = 65_536
"""Most bytes that one `read` returns."""

WRITE_TIMEOUT_S = 2.0
"""How long a write may take beyond the time its bytes need on the line, unless the caller says otherwise."""


class PortKind(StrEnum):
    """How a programmer is reached."""

    SERIAL = "serial"
    USB = "usb"
    TCP = "tcp"


class Transport(ABC):
    """A byte pipe to one programmer.

    One thread reads and writes (two threads, one for each, also work). `close` and `wake` may be called from
    any other thread. All failures are `BenchError`: `port-missing`, `port-permission`, `port-busy` and
    `port-unusable` from `open`; `port-lost` from `read` and `write` when the far end has gone;
    `port-write-timeout` from `write`; `port-closed` from either when the transport is not open (any more).
    After `port-lost` or `port-write-timeout` the transport is still to be closed; it may then be reopened.
    """

    @property
    @abstractmethod
    def path(self) -> str:
        """The port's address as the system or the configuration names it, such as /dev/ttyUSB0."""

    @property
    @abstractmethod
    def description(self) -> str:
        """A few words for people, such as `serial port COM4 at 500000 baud`."""

    @property
    @abstractmethod
    def is_open(self) -> bool:
        """Whether `open` has succeeded and `close` not been called since; a lost port is open until then."""

    @abstractmethod
    def open(self) -> None:
        """Take the port for this program alone; what it received before is dropped. No-op when already open.

        The board behind a port may restart at this moment (many do when the DTR line rises): waiting for it
        quietly is the caller's part.
        """

    @abstractmethod
    def read(self, timeout_s: float) -> bytes:
        """Return what has arrived, as soon as anything has: 1 to `READ_BYTES_MAX` bytes.

        Returns b"" when `timeout_s` (0 or more) goes by first, or on `wake`. 0 only looks.
        """

    @abstractmethod
    def write(self, data: bytes) -> None:
        """Hand all of `data` to the system, or raise.

        After an error an unknown part of `data` may have been sent. Returning does not mean that the bytes
        have left the machine.
        """

    @abstractmethod
    def wake(self) -> None:
        """Let a pending `read`, or else the next one, return at once. Harmless when closed."""

    @abstractmethod
    def close(self) -> None:
        """Give the port back. No-op when closed.

        From another thread it first cancels a pending read or write, which raises `port-closed`.
        """
