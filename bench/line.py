"""A serial line between two pseudo-terminals: bytes take their time on it, and an adapter holds them back.

Run as a process of its own: `line.py inner-path baud latency_ms` opens the inner end, prints the path of the
outer one, and moves bytes until it is ended.
"""

import os
import select
import sys
import time
import tty
from collections import deque
from contextlib import suppress
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))
from simulator.paced_line import PacedLine
from simulator.pseudo_terminal import PseudoTerminal

#: As an adapter's packets: what comes out within it goes on together.
_LOOK_S = 0.0005


class Way:
    """One direction: paced, then held back."""

    def __init__(self, baud: int, latency_s: float) -> None:
        self._paced = PacedLine(baud)
        self._latency_s = latency_s
        self._held: deque[tuple[float, bytes]] = deque()

    def put(self, data: bytes, now_s: float) -> None:
        """Begin to send bytes."""
        if data:
            self._paced.put(data, now_s)

    def take(self, now_s: float) -> bytes:
        """Return what has come out by now."""
        if through := self._paced.take(now_s):
            self._held.append((now_s + self._latency_s, through))
        out = b""
        while self._held and self._held[0][0] <= now_s:
            out += self._held.popleft()[1]
        return out

    @property
    def busy(self) -> bool:
        """Whether bytes are under way."""
        return bool(self._held or len(self._paced))


def main() -> None:
    """Move bytes."""
    path, baud, latency_ms = sys.argv[1], int(sys.argv[2]), float(sys.argv[3])
    inner = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    tty.setraw(inner)
    outer = PseudoTerminal()
    outer.open()
    print(outer.path, flush=True)
    there, back = Way(baud, latency_ms / 1000), Way(baud, latency_ms / 1000)
    readers = [*outer.readers(), inner]
    while True:
        select.select(readers, [], [], _LOOK_S if there.busy or back.busy else 0.2)
        now_s = time.monotonic()
        there.put(outer.read(), now_s)
        with suppress(BlockingIOError):
            back.put(os.read(inner, 65_536), now_s)
        if data := there.take(now_s):
            os.write(inner, data)
        if data := back.take(now_s):
            outer.write(data)


if __name__ == "__main__":
    main()
