"""A serial line as fast as its baud rate: bytes come out at the far end when they have been sent."""

#: Bytes that come within this time are handed on together, so that not every byte wakes someone.
_GRAIN_S = 0.001
#: Start bit, eight data bits, stop bit.
_BITS_PER_BYTE = 10


class PacedLine:
    """One direction of a line; `baud` 0 lets all through at once. Times are seconds of any clock."""

    def __init__(self, baud: int) -> None:
        self._bytes_per_s = baud / _BITS_PER_BYTE
        self._grain = max(1, int(self._bytes_per_s * _GRAIN_S))
        self._waiting = bytearray()
        self._since_s = 0.0

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, data: bytes, now_s: float) -> None:
        """Begin to send `data`, after what is being sent."""
        if not self._waiting:
            self._since_s = max(self._since_s, now_s)
        self._waiting += data

    def take(self, now_s: float) -> bytes:
        """Return what has come through by now."""
        count = len(self._waiting)
        if self._bytes_per_s:
            # A rounding must not hold back the byte whose time was asked for.
            through = int((now_s - self._since_s) * self._bytes_per_s + 1e-6)
            count = max(0, min(count, through))
            self._since_s += count / self._bytes_per_s
        data = bytes(self._waiting[:count])
        del self._waiting[:count]
        return data

    def due_s(self) -> float | None:
        """Return when it is worth to `take`, None when nothing is under way."""
        if not self._waiting:
            return None
        if not self._bytes_per_s:
            return self._since_s
        return self._since_s + min(self._grain, len(self._waiting)) / self._bytes_per_s
