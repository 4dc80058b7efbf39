"""How work runs in virtual time: a generator that yields when it wants to go on."""

import math
from collections.abc import Generator
from typing import Any, TypeAlias

from protocol.device import Outcome
from protocol.wire import Fault, Status

#: Yielded by work that goes on once the host has taken some output, not at a time.
WHEN_DRAINED = math.inf

Steps: TypeAlias = Generator[float, None, Outcome]
"""An operation: yields times in seconds, returns how it ended."""

Waits: TypeAlias = Generator[float, None, None]
"""A part of an operation that has nothing to return."""


class Halt(Exception):  # noqa: N818 - it is no error: it ends work early
    """Work ends here, pulse first, then the supplies.

    It is thrown into an operation by ABORT, HELLO, the watchdog or a fault, and raised in it by a supply that
    is out of bounds. `faults` are latched, `status` answers the request. With `cut` nothing is waited for:
    the controller itself has gone. The operation adds the `detail` of what it had done.
    """

    def __init__(
        self, status: Status, faults: Fault = Fault.NONE, *, cut: bool = False, detail: Any = None
    ) -> None:
        super().__init__(status.name)
        self.status = status
        self.faults = faults
        self.cut = cut
        self.detail = detail


class ChipSwapped(Exception):  # noqa: N818
    """The chip was taken out or put in: what was computed ahead of time has to be done again from now on."""


class SupplyChanged(Exception):  # noqa: N818
    """A hand changes a supply: what was computed ahead of time has to be done again from now on."""
