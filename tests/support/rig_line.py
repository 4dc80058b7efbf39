"""The emulated board on a pseudo-terminal, faster than real: its time is the line's time."""

import os
import select
import subprocess
import time
from pathlib import Path


class RigLine:
    """The line to a rig that runs `speed` times as fast as the real thing; close it at the end."""

    def __init__(self, rig: Path, firmware: Path, *options: str, speed: float = 1.0) -> None:
        import tty  # not on Windows, where the rig is not either

        self._speed = speed
        self._process = subprocess.Popen(
            [str(rig), f"--speed={speed:g}", *options, str(firmware)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self._process.stdout is not None
        port = self._process.stdout.readline().split()[1]
        self._fd = os.open(port, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self._fd)
        self._begun_s = time.monotonic()

    def now_s(self) -> float:
        return (time.monotonic() - self._begun_s) * self._speed

    def send(self, data: bytes) -> None:
        sent = 0
        while sent < len(data):
            sent += os.write(self._fd, data[sent:])

    def receive(self, until_s: float) -> bytes:
        left_s = max(0.0, (until_s - self.now_s()) / self._speed)
        ready, _, _ = select.select([self._fd], [], [], left_s)
        return os.read(self._fd, 4096) if ready else b""

    # Hands

    def set_supply(self, name: str, value_mv: int) -> bool:
        return True  # its supplies stand where they are asked to

    def reset(self) -> bool:
        """Press the reset button."""
        assert self._process.stdin is not None
        self._process.stdin.write("reset\n")
        self._process.stdin.flush()
        return True

    def close(self) -> None:
        os.close(self._fd)
        self._process.terminate()
        self._process.communicate(timeout=15)
