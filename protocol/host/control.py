"""KEEPALIVE and ABORT: one at a time, outside the window, again until answered (`SPEC.md` D16, section 9)."""

from dataclasses import dataclass

from protocol.framing import Frame, encode_frame
from protocol.host.events import LinkCounters, LinkDownError, LossReason
from protocol.host.greeting import HELLO_TAG
from protocol.host.outlet import Outlet
from protocol.host.rtt import RoundTrip
from protocol.host.tuning import LinkTuning
from protocol.wire import NUMBER_SPACE, Kind, Opcode


@dataclass(slots=True)
class _Asked:
    opcode: Opcode
    tag: int
    wire: bytes
    sent_at_s: float
    timeout_s: float
    due_s: float
    sends: int = 1
    expiries: int = 0
    silent_expiries: int = 0


class ControlChannel:
    """The control frame that waits for its answer, if there is one."""

    def __init__(
        self, session: int, rtt: RoundTrip, tuning: LinkTuning, outlet: Outlet, counters: LinkCounters
    ) -> None:
        self._session = session
        self._rtt = rtt
        self._tuning = tuning
        self._outlet = outlet
        self._counters = counters
        self._tag = HELLO_TAG
        self._asked: _Asked | None = None

    @property
    def waiting(self) -> bool:
        """Whether an answer is outstanding."""
        return self._asked is not None

    @property
    def deadline_s(self) -> float | None:
        """When `tick` has something to do."""
        return self._asked.due_s if self._asked else None

    def send(self, opcode: Opcode, now_s: float) -> None:
        """Send a control frame without arguments under a new tag; the one that waits is given up."""
        self._tag = (self._tag + 1) % NUMBER_SPACE
        wire = encode_frame(Frame(Kind.CONTROL, self._tag, self._session, bytes((opcode,))))
        timeout_s = self._rtt.rto_s
        self._asked = _Asked(opcode, self._tag, wire, now_s, timeout_s, now_s + timeout_s)
        self._outlet.send(wire)

    def repeat(self) -> None:
        """Send the waiting one once more, for the device's watchdog: no expiry, and its time runs on."""
        if self._asked:
            self._again(self._asked)

    def answered(self, tag: int, now_s: float) -> Opcode | None:
        """Return the opcode that the REPLY with this tag answers, or None if none waits for it."""
        asked = self._asked
        if asked is None or asked.tag != tag:
            return None
        self._asked = None
        if asked.sends == 1:
            self._rtt.sample(now_s - asked.sent_at_s, len(asked.wire))
        return asked.opcode

    def heard(self) -> None:
        """Take note of a sound frame of the session."""
        if self._asked:
            self._asked.silent_expiries = 0

    def tick(self, now_s: float) -> None:
        """Send again what is overdue. Raises LinkDownError when the limits of section 9 are reached."""
        asked = self._asked
        if asked is None or now_s < asked.due_s:
            return
        asked.expiries += 1
        asked.silent_expiries += 1
        if asked.silent_expiries >= self._tuning.control_silent_expiries_max:
            raise LinkDownError(
                LossReason.SILENT,
                f"{asked.opcode.name} was sent {asked.sends} times and nothing was heard in answer",
            )
        if asked.expiries >= self._tuning.attempts_max:
            raise LinkDownError(
                LossReason.NO_PROGRESS,
                f"{asked.opcode.name} was sent {asked.sends} times without an answer, though others came",
            )
        asked.timeout_s = max(asked.timeout_s, min(self._tuning.rto_most_s, asked.timeout_s * 2))
        asked.due_s = now_s + asked.timeout_s
        self._again(asked)

    def _again(self, asked: _Asked) -> None:
        asked.sends += 1
        self._counters.retransmitted += 1
        self._outlet.send(asked.wire)
