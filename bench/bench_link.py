"""What the host's link and framing cost: CPU seconds for a megabyte, as a share of what one core may give.

The stated limit is 5 % of a core at 1 Mbaud (100 kB a second), which is 0.5 s of CPU a megabyte. Only the
host's own calls are timed; the device's end and the wire between cost nothing here.
"""

import random
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))
from protocol.device import DeviceLink, LinkLimits, Outcome
from protocol.host.events import Completed, DataArrived
from protocol.host.link import HostLink
from protocol.identity import Identity
from protocol.messages import Program, ProgramResult, Read, ReadResult
from protocol.wire import NONE_U32, Mode, Opcode, Pass, Status

TOTAL_BYTES = 2_000_000
LIMIT_S_PER_MB = 0.5


class Timed:
    """A host link whose calls are timed."""

    def __init__(self) -> None:
        self.link = HostLink(nonce=1)
        self.cpu_s = 0.0

    def call(self, what: Callable[..., object], *arguments: object) -> object:
        began = time.process_time()
        result = what(*arguments)
        self.cpu_s += time.process_time() - began
        return result


def joined(payload: int) -> tuple[Timed, DeviceLink]:
    limits = LinkLimits(max_payload=payload, window=4, rx_bytes=4 * (payload + 32), watchdog_ms=1000)
    host, device = Timed(), DeviceLink(Identity(), limits, 1, 0.0)
    host.link.start(0.0)
    device.receive(host.link.take_output(), 0.0)
    device.stopped()
    host.link.receive(device.take_output(), 0.0)
    host.link.take_events()
    host.cpu_s = 0.0
    return host, device


def programming(payload: int) -> float:
    """Return CPU seconds a megabyte for PROGRAM requests."""
    host, device = joined(payload)
    data, op, done, now_s = random.Random(1).randbytes(payload), 0, 0, 0.0
    device.start_work(1)
    sent = 0
    while done < TOTAL_BYTES:
        now_s += 1e-4
        while sent - done < 8 * payload:
            op += 1
            if op == 65_000:
                op = 1
                device.start_work(op)
            host.call(host.link.submit, Opcode.PROGRAM, Program(op, 0, Pass.FULL, data), now_s)
            sent += payload
        device.receive(host.call(host.link.take_output), now_s)
        while device.next_request() is not None:
            device.complete(Outcome(Status.OK, ProgramResult(payload, payload, 1, NONE_U32, 0, 0)))
        host.call(host.link.receive, device.take_output(), now_s)
        host.call(host.link.tick, now_s)
        done += payload * sum(isinstance(event, Completed) for event in host.call(host.link.take_events))
    return host.cpu_s / (done / 1e6)


def reading(payload: int) -> float:
    """Return CPU seconds a megabyte for READ's stream of DATA."""
    host, device = joined(payload)
    data, blocks, now_s = random.Random(1).randbytes(payload), 4000, 0.0
    done = 0
    while done < TOTAL_BYTES:
        host.link.submit(Opcode.READ, Read(0, blocks * payload, Mode.READ, 5000, payload), now_s)
        device.receive(host.link.take_output(), now_s)
        assert device.next_request() is not None
        for block in range(blocks):
            device.send_data(block, data)
            now_s += 1e-4
            # As a serial driver hands it over: a few hundred bytes at a time.
            host.call(host.link.receive, device.take_output(), now_s)
            done += payload * sum(isinstance(e, DataArrived) for e in host.call(host.link.take_events))
        device.complete(Outcome(Status.OK, ReadResult(blocks * payload, 0)))
        host.call(host.link.receive, device.take_output(), now_s)
        host.link.take_events()
    return host.cpu_s / (done / 1e6)


def main() -> None:
    print(f"{'what':>20} {'payload':>8} {'CPU s/MB':>9} {'of the limit':>12}")
    for name, measure in (("programming", programming), ("reading", reading)):
        for payload in (256, 1024):
            cost = measure(payload)
            print(f"{name:>20} {payload:>8} {cost:>9.3f} {cost / LIMIT_S_PER_MB:>12.2f}")


if __name__ == "__main__":
    main()
