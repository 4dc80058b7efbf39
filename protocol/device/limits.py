"""What a device can take, and what it counts."""

from dataclasses import dataclass

from protocol.wire import NONE_U16, PAYLOAD_MAX, PAYLOAD_MIN, WINDOW_MAX

#: Room that a content needs beside its payload: the arguments in front of it.
ARGUMENTS_MAX = 32
WATCHDOG_MIN_MS = 200
WATCHDOG_MAX_MS = 10_000


@dataclass(frozen=True, slots=True)
class LinkLimits:
    """The most payload bytes in a frame, requests and bytes in flight, and the watchdog's time in ms.

    Raises ValueError for a figure outside what section 5 of `SPEC.md` allows.
    """

    max_payload: int = PAYLOAD_MAX
    window: int = 4
    rx_bytes: int = 4 * (PAYLOAD_MAX + ARGUMENTS_MAX)
    watchdog_ms: int = 1000

    def __post_init__(self) -> None:
        ranges = {
            "max_payload": (PAYLOAD_MIN, PAYLOAD_MAX),
            "window": (1, WINDOW_MAX),
            "rx_bytes": (self.max_payload + ARGUMENTS_MAX, NONE_U16),
            "watchdog_ms": (WATCHDOG_MIN_MS, WATCHDOG_MAX_MS),
        }
        for name, (least, most) in ranges.items():
            if not least <= getattr(self, name) <= most:
                raise ValueError(f"{name} is {getattr(self, name)}, not {least} to {most}")


@dataclass(slots=True)
class Counters:
    """Counts since boot, as STATS reports them."""

    frames: int = 0
    damaged: int = 0
    naks: int = 0
    repeats: int = 0
    executed: int = 0
