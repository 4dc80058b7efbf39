"""Devices that only speak the wire, many in one process: they cost so little that the host is measured.

Run as a process: `light_devices.py how-many baud` prints the paths of the pseudo-terminals, then serves them.
Each is set up with anything, has any supply, and answers READ with bytes of its own; the rest completes with
CANNOT. Bytes to the host are paced.
"""

import os
import sys
import time
import zlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))
from protocol.device import DeviceLink, Outcome
from protocol.messages import Measured, Read, ReadResult, SetupResult
from protocol.wire import Opcode, Status
from simulator.programmer.profile import full
from simulator.pseudo_terminal import PseudoTerminal

_LOOK_S = 0.002
_AHEAD_BYTES = 2048
_ANSWERS = {Opcode.SETUP: SetupResult(0, 0), Opcode.SUPPLY: Measured(5000, 0, 0)}


class LightDevice:
    """One device on one pseudo-terminal."""

    def __init__(self, serial: str, baud: int) -> None:
        profile = full(serial)
        self.port = PseudoTerminal()
        self.port.open()
        self._link = DeviceLink(replace(profile.identity, serial=serial), profile.limits, 1, time.monotonic())
        self._bytes_per_s = baud / 10
        self._out = b""
        self._free_at_s = 0.0
        self._reading: Iterator[None] | None = None
        self._content = os.urandom(1024)

    def look(self, now_s: float) -> None:
        """Do what is due."""
        link = self._link
        if data := self.port.read():
            link.receive(data, now_s)
        due_s = link.deadline_s()
        if due_s is not None and due_s <= now_s:
            link.tick(now_s)
        if link.stop_wanted:
            self._reading = None
            link.stopped()
        while self._reading is None and (request := link.next_request()) is not None:
            if isinstance(request.message, Read):
                self._reading = self._read(request.message)
                break
            answer = _ANSWERS.get(request.operation.opcode) if request.operation else None
            link.complete(Outcome(Status.OK, answer) if answer else Outcome(Status.CANNOT))
        while self._reading and link.pending_bytes + len(self._out) < _AHEAD_BYTES:
            if next(self._reading, self) is self:
                self._reading = None
        self._send(now_s)

    def _read(self, read: Read) -> Iterator[None]:
        crc = 0
        for block in range(-(-read.count // read.block_bytes)):
            length = min(read.block_bytes, read.count - block * read.block_bytes)
            data = self._content[:length]
            crc = zlib.crc32(data, crc)
            self._link.send_data(block, data)
            yield
        self._link.complete(Outcome(Status.OK, ReadResult(read.count, crc)))

    def _send(self, now_s: float) -> None:
        self._out += self._link.take_output()
        if not self._out:
            self._free_at_s = now_s
            return
        through = min(len(self._out), int((now_s - self._free_at_s) * self._bytes_per_s))
        if through > 0:
            sent = self.port.write(self._out[:through])
            self._out = self._out[sent:]
            self._free_at_s += sent / self._bytes_per_s


def main() -> None:
    """Serve them until the process is ended."""
    devices = [LightDevice(f"LIGHT-{number}", int(sys.argv[2])) for number in range(int(sys.argv[1]))]
    print(" ".join(device.port.path for device in devices), flush=True)
    while True:
        now_s = time.monotonic()
        for device in devices:
            device.look(now_s)
        time.sleep(max(0.0, now_s + _LOOK_S - time.monotonic()))


if __name__ == "__main__":
    main()
