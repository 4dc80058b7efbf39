"""The daemon's own link and operations at a port, without its jobs: quick to start, and to measure by."""

import time
from collections.abc import Iterator
from contextlib import contextmanager

from daemon.catalogue.loader import Catalogue
from daemon.clock import SystemClock
from daemon.operations.refusals import require_ok
from daemon.operations.socketed import Socketed
from daemon.programmers.fitting import fit_directly
from daemon.programmers.session import Session
from daemon.transport.serial_port import serial_transport
from protocol.messages import Program
from protocol.wire import Opcode, Pass


@contextmanager
def socketed(port: str, part_id: str, *, leave: bool = False) -> Iterator[Socketed]:
    """Open a session with the programmer at `port` and set a part up.

    Afterwards the supplies are off; with `leave` they are left as they are.
    """
    transport = serial_transport(port, baud=500_000)
    transport.open()
    session = Session(transport, SystemClock())
    try:
        session.connect()
        work = Socketed(session, fit_directly(Catalogue().get(part_id), session.identity))
        work.set_up()
        yield work
        if not leave:
            work.power_off()
    finally:
        session.close()


def timed_program(work: Socketed, content: bytes) -> float:
    """Program content from address 0 at the part's supplies and return the seconds that it took."""
    size = work.payload_bytes
    supplies = work.descriptor.supplies
    work.power(supplies.vcc_program_mv, supplies.vpp_program_mv)
    requests = (
        (Opcode.PROGRAM, Program(work.session.next_op(), at, Pass.FULL, content[at : at + size]))
        for at in range(0, len(content), size)
    )
    began_s = time.monotonic()
    work.session.stream(requests, lambda done: require_ok(done, "program"), timeout_s=60)
    took_s = time.monotonic() - began_s
    work.power_off()
    return took_s


def timed_read(work: Socketed, size: int) -> tuple[bytes, float]:
    """Read from address 0 at the part's VCC; return the content and the seconds that it took."""
    work.power(work.descriptor.supplies.vcc_read_mv)
    began_s = time.monotonic()
    content = work.read(0, size, lambda done: None)
    took_s = time.monotonic() - began_s
    work.power_off()
    return content.data, took_s
