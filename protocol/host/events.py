"""What the link tells its owner, and its counters."""

from dataclasses import dataclass
from enum import Enum
from typing import Any

from protocol.identity import Identity
from protocol.messages import AbortReply, HelloReply, KeepaliveReply
from protocol.wire import EventCode, Fault, Opcode, Status


class LossReason(Enum):
    """Why a link ended."""

    NO_DEVICE = "no device answered"
    OTHER_VERSION = "the device speaks another version"
    SILENT = "the device fell silent"
    NO_PROGRESS = "the device answers, but not to what it was asked"
    VIOLATION = "the device broke the protocol"
    PORT = "the port failed"


@dataclass(frozen=True, slots=True)
class Opened:
    """A session began; `session` is its number on the wire."""

    hello: HelloReply
    identity: Identity
    session: int


@dataclass(frozen=True, slots=True)
class VersionRefused:
    """The device speaks this major version, which is not ours. `Lost` follows."""

    major: int
    minor: int


@dataclass(frozen=True, slots=True)
class Accepted:
    """The device has queued the request."""

    ticket: int


@dataclass(frozen=True, slots=True)
class Completed:
    """A request has ended. `result` is the decoded detail, None where the status has none.

    A request that ABORT stopped before the device had accepted it ends with ABORTED and no result, too.
    """

    ticket: int
    opcode: Opcode
    status: Status
    faults: Fault
    result: Any | None


@dataclass(frozen=True, slots=True)
class DataArrived:
    """Block number `block` of the READ with this ticket. Some may be missing: `protocol.host.reading`."""

    ticket: int
    block: int
    data: bytes


@dataclass(frozen=True, slots=True)
class DeviceEvent:
    """The device told something unasked."""

    code: EventCode
    faults: Fault


@dataclass(frozen=True, slots=True)
class FaultsChanged:
    """The latched faults are now these."""

    faults: Fault


@dataclass(frozen=True, slots=True)
class KeepaliveAnswered:
    """KEEPALIVE was answered."""

    reply: KeepaliveReply


@dataclass(frozen=True, slots=True)
class AbortAnswered:
    """The device has stopped; the results of requests that it had accepted follow."""

    reply: AbortReply


@dataclass(frozen=True, slots=True)
class Lost:
    """The link is over, for this reason, with the figures in `words`.

    The outcome of `unfinished` tickets is unknown, but `never_sent`, a part of them, never left the host.
    """

    reason: LossReason
    words: str
    unfinished: tuple[int, ...]
    never_sent: tuple[int, ...]


LinkEvent = (
    Opened
    | VersionRefused
    | Accepted
    | Completed
    | DataArrived
    | DeviceEvent
    | FaultsChanged
    | KeepaliveAnswered
    | AbortAnswered
    | Lost
)


@dataclass(slots=True)
class LinkCounters:
    """Counted since the link was made. Times are those of now; `rtt_s` is None before the first measurement.

    `damaged`: received blocks that were no frame. `stale`: sound frames that were dropped, being of another
    session, of a request that has ended, or answers to nothing. `naks` were received.
    """

    frames_in: int = 0
    frames_out: int = 0
    bytes_in: int = 0
    bytes_out: int = 0
    damaged: int = 0
    stale: int = 0
    naks: int = 0
    retransmitted: int = 0
    rtt_s: float | None = None
    rto_s: float = 0.0


class LinkDownError(Exception):
    """Raised inside the link where it must end; it never leaves `HostLink`."""

    def __init__(self, reason: LossReason, words: str) -> None:
        super().__init__(words)
        self.reason = reason
        self.words = words


def violation(words: str) -> LinkDownError:
    """Return the error for something that a sound frame has wrong."""
    return LinkDownError(LossReason.VIOLATION, words)
