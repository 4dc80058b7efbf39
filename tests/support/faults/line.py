"""A bad line: what it makes of frames, by seed, and a transport that lets the world act at its own times."""

import random
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

from daemon.clock import ManualClock
from daemon.transport.memory import Direction, MemoryTransport, Peer, Wire

_KEPT_FRAMES = 40


class Damage:
    """Spoils a share of all frames, each in one of many ways. `dead`: nothing gets through at all."""

    def __init__(self, seed: str, share: float) -> None:
        self.share = share
        self.dead = False
        self.frames = 0
        self.done: Counter[str] = Counter()
        self._rng = random.Random(seed)
        self._old: list[bytes] = []
        self._ways: dict[str, Callable[[bytes], list[tuple[float, bytes]]]] = {
            "bits flipped": self._flipped,
            "bytes lost": self._shortened,
            "bytes added": self._lengthened,
            "frame lost": lambda frame: [],
            "frame doubled": lambda frame: [(0.0, frame), (self._rng.uniform(0.0, 0.02), frame)],
            "old frame again": self._haunted,
            "frame delayed": lambda frame: [(self._rng.uniform(0.005, 0.4), frame)],
            "frame split": self._split,
            "delimiter lost": lambda frame: [(0.0, frame[:-1])],
            "byte doubled": self._stuttered,
        }

    def __call__(self, direction: Direction, data: bytes, now_s: float) -> list[tuple[float, bytes]]:
        if self.dead:
            self.done["line dead"] += data.count(0)
            return []
        pieces: list[tuple[float, bytes]] = []
        for frame in _frames(data):
            self.frames += 1
            if self._rng.random() >= self.share:
                pieces.append((0.0, frame))
            else:
                way = self._rng.choice(list(self._ways))
                self.done[way] += 1
                pieces += self._ways[way](frame)
            self._old.append(frame)
        del self._old[:-_KEPT_FRAMES]
        return pieces

    def _flipped(self, frame: bytes) -> list[tuple[float, bytes]]:
        spoiled = bytearray(frame)
        for _ in range(self._rng.randint(1, 4)):
            spoiled[self._rng.randrange(len(spoiled))] ^= 1 << self._rng.randrange(8)
        return [(0.0, bytes(spoiled))]

    def _shortened(self, frame: bytes) -> list[tuple[float, bytes]]:
        at = self._rng.randrange(len(frame))
        return [(0.0, frame[:at] + frame[at + self._rng.randint(1, 8) :])]

    def _lengthened(self, frame: bytes) -> list[tuple[float, bytes]]:
        at = self._rng.randrange(len(frame) + 1)
        return [(0.0, frame[:at] + self._rng.randbytes(self._rng.randint(1, 8)) + frame[at:])]

    def _haunted(self, frame: bytes) -> list[tuple[float, bytes]]:
        return [(0.0, frame), (0.0, self._rng.choice(self._old) if self._old else b"")]

    def _split(self, frame: bytes) -> list[tuple[float, bytes]]:
        at = self._rng.randrange(len(frame))
        return [(0.0, frame[:at]), (self._rng.uniform(0.0, 0.05), frame[at:])]

    def _stuttered(self, frame: bytes) -> list[tuple[float, bytes]]:
        at = self._rng.randrange(len(frame))
        return [(0.0, frame[:at] + frame[at : at + 1] + frame[at:])]


def _frames(data: bytes) -> list[bytes]:
    """Cut bytes behind each delimiter."""
    frames = [piece + b"\0" for piece in data.split(b"\0")]
    frames[-1] = frames[-1][:-1]
    return [frame for frame in frames if frame]


@dataclass
class Cable:
    """What lies between any host and the board, whichever transport is open. `plugged`: whether it does."""

    damage: Damage
    wire: Wire
    echoes: bool = False
    plugged: bool = True


class WatchedTransport(MemoryTransport):
    """One host's port. Around each of its calls the world may act; `due_s` is when it next wants to.

    `act` may raise, as when the host dies in this very call.
    """

    def __init__(
        self,
        peer: Peer,
        clock: ManualClock,
        cable: Cable,
        path: str,
        act: Callable[[], None],
        due_s: Callable[[], float],
    ) -> None:
        super().__init__(peer, clock, wire=cable.wire, fault=cable.damage, path=path)
        self._cable = cable
        self._act = act
        self._due_s = due_s
        if not cable.plugged:
            self.unplug()

    def read(self, timeout_s: float) -> bytes:
        self._act()
        until_s = self._clock.monotonic_s() + timeout_s
        while True:
            now_s = self._clock.monotonic_s()
            next_s = max(now_s, min(until_s, self._due_s()))
            data = super().read(next_s - now_s)
            self._act()
            if data or self._clock.monotonic_s() >= until_s or next_s == until_s:
                return data

    def write(self, data: bytes) -> None:
        self._act()
        super().write(data)
        if self._cable.echoes:
            self._put(self._to_host, Direction.TO_HOST, data, self._clock.monotonic_s())
        self._act()

    def catch_up(self) -> None:
        """Let what is on the line arrive by now, though the host does not look."""
        self._settle(self._clock.monotonic_s())
