"""A host that speaks to the device's link frame by frame, and what its executor answers."""

from protocol.device import DeviceLink, LinkLimits, Outcome
from protocol.identity import Identity
from protocol.messages import (
    Measured,
    Program,
    ProgramResult,
)
from protocol.wire import Opcode, Pass, Status
from tests.support.device_rig import Got, RawHost

MEASURED = Outcome(Status.OK, Measured(1, 2, 3))


PROGRAMMED = ProgramResult(2, 2, 1, 0xFFFF_FFFF, 0, 0)


def program(op: int, words: int = 2) -> Program:
    return Program(op, 0x100, Pass.FULL, bytes(words))


class LinkHost(RawHost):
    """A raw host at a bare link; the test is the executor."""

    device: DeviceLink

    def __init__(self, **limits: int) -> None:
        self.limits = LinkLimits(**{"max_payload": 64, "window": 4, "rx_bytes": 600, **limits})
        super().__init__(DeviceLink(Identity(firmware="test"), self.limits, boot_id=7))

    def greet(self) -> list[Got]:
        """Say HELLO and let the stop that it wants be done at once."""
        got = self.hello()
        if self.device.stop_wanted:
            self.device.stopped()
            got = self.collect()
            self.take_over(got)
        return got

    def serve(self, outcome: Outcome = MEASURED) -> list[Got]:
        """Carry out all requests in the queue with the same outcome."""
        while self.device.next_request() is not None:
            self.device.complete(outcome)
        return self.collect()


# Exactly once


def again(host: LinkHost, op: int) -> Got | None:
    """Send PROGRAM `op` once more under a new number; None when it was begun."""
    host.request(Opcode.PROGRAM, program(op))
    if host.device.next_request() is None:
        return host.collect()[0]
    return None
