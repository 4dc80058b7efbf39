"""What the end of a conversation with a programmer means to the person at the bench."""

from daemon.errors import BenchError, Code
from protocol.host.events import LossReason, Lost, VersionRefused
from protocol.wire import MAJOR

_LOOK = "Check cable and power. What the chip holds is unknown until it is looked at."


def silent(port: str) -> BenchError:
    """Return the error for a port, described by `port`, where nothing has answered HELLO."""
    return BenchError(
        Code.DEVICE_SILENT,
        f"nothing on {port} answered HELLO",
        hint="Check that the programmer is powered, that this is its port, and its baud rate.",
    )


def unheard(for_s: float) -> BenchError:
    """Return the error for a programmer that has been silent for so many seconds."""
    return BenchError(
        Code.LINK_LOST,
        f"the link to the programmer was lost: nothing was heard for {for_s:.1f} s",
        hint=_LOOK,
    )


def unfinished() -> BenchError:
    """Return the error for a programmer that answers and has not done what it was asked in its time."""
    return BenchError(
        Code.STEP_TIMEOUT,
        "the programmer answers, but does not finish what it was asked to do",
        hint="Switch it off and on, then look at what the chip holds before going on.",
    )


def version_refused(event: VersionRefused) -> BenchError:
    """Return the error for a programmer of another major version."""
    return BenchError(
        Code.DEVICE_VERSION,
        f"the programmer speaks wire {event.major}.{event.minor}; this program speaks {MAJOR}.x",
        hint="Update its firmware, or this program: the older of the two.",
    )


def lost(event: Lost, port: str) -> BenchError:
    """Return the error for a link that was given up."""
    match event.reason:
        case LossReason.NO_DEVICE:
            return silent(port)
        case LossReason.VIOLATION:
            return BenchError(
                Code.DEVICE_VIOLATION,
                f"the programmer's answer cannot be believed: {event.words}",
                hint="Update its firmware, and report this with its version. What the chip holds is"
                " unknown until it is looked at.",
            )
        case _:
            return BenchError(
                Code.LINK_LOST, f"the link to the programmer was lost: {event.words}", hint=_LOOK
            )
