"""The raw link: frames out as they are given, frames in as they come, and a record of both."""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from protocol.conformance.frames import Seen, block_words, hex_words, read_block

_REMEMBERED = 400
#: A device that sends so much without a delimiter sends no frames.
_BLOCK_MAX = 4096


class Line(Protocol):
    """A byte line to the device, and the clock that goes with it."""

    def now_s(self) -> float:
        """Return the time, seconds of any clock that never goes back."""

    def send(self, data: bytes) -> None:
        """Put all of `data` on the line."""

    def receive(self, until_s: float) -> bytes:
        """Return what has come as soon as anything has, b"" once it is `until_s`."""


@dataclass(frozen=True, slots=True)
class Passed:
    """Something that went over the line: when, which way, and the bytes up to a delimiter."""

    at_s: float
    sent: bool
    data: bytes

    @property
    def words(self) -> str:
        """What it was, for people."""
        return block_words(self.data.strip(b"\0")) if self.data.strip(b"\0") else "delimiters only"

    def to_json(self, since_s: float) -> dict[str, object]:
        """Return it as a report has it, its time counted from `since_s` in milliseconds."""
        return {
            "at_ms": round((self.at_s - since_s) * 1000, 1),
            "from": "host" if self.sent else "device",
            "hex": hex_words(self.data),
            "words": self.words,
        }


class RawLink:
    """One line. `inbox` holds what came and nobody has looked at; `damaged` the blocks that are no frames."""

    def __init__(self, line: Line) -> None:
        self._line = line
        self._partial = bytearray()
        self.inbox: list[Seen] = []
        self.damaged: list[bytes] = []
        self.record: deque[Passed] = deque(maxlen=_REMEMBERED)
        #: Looks at each frame first; True: nobody else needs to see it.
        self.sieve: Callable[[Seen], bool] = lambda _seen: False

    def now_s(self) -> float:
        """Return the time of the line's clock."""
        return self._line.now_s()

    def send(self, data: bytes) -> None:
        """Send bytes as they are."""
        self.record.append(Passed(self.now_s(), True, data))
        self._line.send(data)

    def take(self, wanted: Callable[[Seen], bool], until_s: float) -> Seen | None:
        """Return the first frame that is `wanted`, keep the others; None when none has come by `until_s`."""
        looked = 0
        while True:
            for place in range(looked, len(self.inbox)):
                if wanted(self.inbox[place]):
                    return self.inbox.pop(place)
            looked = len(self.inbox)
            if not self._read(until_s):
                return None

    def listen(self, for_s: float) -> list[Seen]:
        """Return all that has come and still comes within `for_s`, and forget it."""
        until_s = self.now_s() + for_s
        while self._read(until_s):
            pass
        heard, self.inbox = self.inbox, []
        return heard

    def forget(self) -> None:
        """Forget what came so far."""
        self.inbox.clear()

    def _read(self, until_s: float) -> bool:
        """Take what has come; False when nothing came by `until_s`."""
        data = self._line.receive(until_s)
        if not data:
            return False
        *blocks, rest = data.split(b"\0")
        for block in blocks:
            whole = bytes(self._partial) + block
            self._partial.clear()
            if whole:
                self._on_block(whole)
        self._partial += rest
        if len(self._partial) > _BLOCK_MAX:
            self.damaged.append(bytes(self._partial))
            self._partial.clear()
        return True

    def _on_block(self, block: bytes) -> None:
        at_s = self.now_s()
        self.record.append(Passed(at_s, False, block + b"\0"))
        seen = read_block(block, at_s)
        if seen is None:
            self.damaged.append(block)
        elif not self.sieve(seen):
            self.inbox.append(seen)
