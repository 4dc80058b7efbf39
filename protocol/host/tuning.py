"""The host's times and limits; the defaults are those of `SPEC.md` sections 4 and 9."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LinkTuning:
    """Seconds and counts, for tests and odd adapters to change.

    `byte_first_s`: what a byte is taken to need on the line before the line has shown to be faster.
    `rto_*`: retransmission timeout before a round trip is known, its least value (one pulse of the part is
    added to it) and its greatest. `silent_expiries_max`: expiries with nothing sound heard until the link is
    lost, for requests and for control frames. `attempts_max`: how often one frame is sent for want of an
    answer although others are heard. `feeds_per_watchdog`: KEEPALIVEs in the watchdog's time, at least 4.
    """

    hello_repeat_s: float = 0.5
    hello_limit_s: float = 5.0
    byte_first_s: float = 10 / 115_200
    rto_first_s: float = 0.25
    rto_least_s: float = 0.06
    rto_most_s: float = 2.0
    silent_expiries_max: int = 8
    control_silent_expiries_max: int = 6
    attempts_max: int = 16
    feeds_per_watchdog: int = 5
