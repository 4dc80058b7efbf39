"""Time as the daemon sees it, so that tests can own it."""

import time
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """Monotonic seconds for deadlines, wall-clock time for records, and waiting."""

    def monotonic_s(self) -> float:
        """Return seconds from an arbitrary start; never goes back."""

    def utc_now(self) -> datetime:
        """Return the wall-clock time, timezone UTC."""

    def sleep_s(self, duration_s: float) -> None:
        """Let `duration_s` seconds (0 or more) go by."""


class SystemClock:
    """The machine's own clock."""

    def monotonic_s(self) -> float:
        """Return `time.monotonic()`."""
        return time.monotonic()

    def utc_now(self) -> datetime:
        """Return the machine's UTC time."""
        return datetime.now(UTC)

    def sleep_s(self, duration_s: float) -> None:
        """Block this thread for `duration_s` seconds."""
        time.sleep(duration_s)


class ManualClock:
    """Virtual time: it stands still until someone sleeps or advances it."""

    def __init__(self, start: datetime = datetime(2026, 1, 1, tzinfo=UTC)) -> None:
        self._start = start
        self._elapsed_s = 0.0

    def monotonic_s(self) -> float:
        """Return the virtual seconds that have gone by."""
        return self._elapsed_s

    def utc_now(self) -> datetime:
        """Return the start plus the virtual seconds that have gone by."""
        return self._start + timedelta(seconds=self._elapsed_s)

    def sleep_s(self, duration_s: float) -> None:
        """Advance at once by `duration_s` seconds."""
        self.advance_s(duration_s)

    def advance_s(self, duration_s: float) -> None:
        """Move time on by `duration_s` seconds (0 or more)."""
        if duration_s < 0:
            raise ValueError("time does not go back")
        self._elapsed_s += duration_s
