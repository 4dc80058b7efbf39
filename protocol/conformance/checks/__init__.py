"""The checks by subject. Importing this enters all of them, in the order in which they run."""

from protocol.conformance.checks import (
    framing,
    looking,
    losses,
    programming,
    requests,
    restarts,
    sessions,
    stopping,
    supplies,
    uploads,
    watchdog,
)

__all__ = [
    "framing",
    "looking",
    "losses",
    "programming",
    "requests",
    "restarts",
    "sessions",
    "stopping",
    "supplies",
    "uploads",
    "watchdog",
]
