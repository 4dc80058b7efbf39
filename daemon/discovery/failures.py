"""Telling the log of something that fails again and again, without filling it."""

import logging

from daemon.clock import Clock

SUMMARY_S = 600.0


class FailureLog:
    """Logs the first failure in full, then a count every `SUMMARY_S`, then that it works again."""

    def __init__(self, what: str, log: logging.Logger, clock: Clock) -> None:
        self._what = what
        self._log = log
        self._clock = clock
        self._count = 0
        self._told_s = 0.0

    def failed(self, error: BaseException) -> None:
        """Note one failure."""
        self._count += 1
        now_s = self._clock.monotonic_s()
        if self._count == 1:
            self._log.warning("%s failed: %s: %s", self._what, type(error).__name__, error)
        elif now_s - self._told_s >= SUMMARY_S:
            self._log.warning("%s still fails, %d times so far: %s", self._what, self._count, error)
        else:
            return
        self._told_s = now_s

    def succeeded(self) -> None:
        """Note that it worked."""
        if self._count:
            self._log.info("%s works again after %d failures", self._what, self._count)
        self._count = 0
