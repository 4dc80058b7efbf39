"""The host build of the firmware on a line in its own time, as the conformance checks see a device."""

import itertools
import subprocess
from pathlib import Path

_BOOTS = itertools.count(1)


class FirmwareLine:
    """The line to a process of the host build that is asked step by step (`--ask`); close it at the end."""

    def __init__(self, program: Path, *options: str) -> None:
        self._command = [str(program), "--ask", *options]
        self._before_ms = 0
        self._start()

    def _start(self) -> None:
        self._ms = 0
        self._heard = b""
        # The next start of a board counts one more, as its own memory would.
        self._process = subprocess.Popen(
            [*self._command, f"--boot-id={next(_BOOTS)}"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._listen()

    def now_s(self) -> float:
        return (self._before_ms + self._ms) / 1000

    def send(self, data: bytes) -> None:
        for at in range(0, len(data), 2000):
            self._say(f"{self._ms} {data[at : at + 2000].hex()}")

    def receive(self, until_s: float) -> bytes:
        until_ms = round(until_s * 1000) - self._before_ms
        while not self._heard and self._ms < until_ms:
            self._say(f"{until_ms} -")
        heard, self._heard = self._heard, b""
        return heard

    def _say(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()
        self._listen()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            told, _, rest = line.strip().partition(" ")
            if told == "?":
                self._ms = int(rest)
                return
            self._heard += bytes.fromhex(rest)
        raise RuntimeError(f"the device ended with {self._process.wait(5)}")

    # Hands

    def set_supply(self, name: str, value_mv: int) -> bool:
        return True  # the modelled supplies stand where they are asked to

    def reset(self) -> bool:
        """Switch the board off and on."""
        self._before_ms += self._ms
        self.close()
        self._start()
        return True

    def close(self) -> None:
        self._process.kill()
        self._process.communicate()
