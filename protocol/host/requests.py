"""Requests in their window: sending, acceptance, completion, and what is sent again (`SPEC.md` section 4)."""

from collections import deque
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

from protocol.framing import Frame, encode_frame
from protocol.host.events import LinkCounters, LinkDownError, LossReason, violation
from protocol.host.outlet import Outlet
from protocol.host.rtt import RoundTrip
from protocol.host.tuning import LinkTuning
from protocol.wire import NUMBER_SPACE, Kind, Opcode


@dataclass(slots=True)
class Pending:
    """One request until its RESULT. `attempts` counts the sendings that it was itself the reason for."""

    ticket: int
    opcode: Opcode
    message: Any
    content: bytes
    number: int = -1
    wire: bytes = b""
    sent_at_s: float = 0.0
    sends: int = 0
    attempts: int = 0
    announced: bool = False
    done: bool = False
    asked_at_s: float | None = None


@dataclass(frozen=True, slots=True)
class WindowLimits:
    """The session's number and what the device allows to be outstanding."""

    session: int
    window: int
    rx_bytes: int


@dataclass(slots=True)
class _Flight:
    """Requests sent, oldest first, numbered without a hole; the first is never done."""

    items: deque[Pending] = field(default_factory=deque)
    #: So many from the left are accepted.
    accepted: int = 0
    #: Encoded bytes of those that are not done.
    size_bytes: int = 0


class RequestWindow:
    """All requests of one session. Methods that learn of acceptance return whom it newly concerns."""

    def __init__(
        self,
        limits: WindowLimits,
        rtt: RoundTrip,
        tuning: LinkTuning,
        outlet: Outlet,
        counters: LinkCounters,
    ) -> None:
        self._limits = limits
        self._rtt = rtt
        self._tuning = tuning
        self._outlet = outlet
        self._counters = counters
        self._queue: deque[Pending] = deque()
        self._flight = _Flight()
        self._next = 0
        self._halted = False
        self._due_s: float | None = None
        self._silent_expiries = 0
        self._rewound: tuple[int, float] | None = None

    @property
    def unfinished(self) -> bool:
        """Whether any request has no result yet."""
        return bool(self._flight.items or self._queue)

    @property
    def deadline_s(self) -> float | None:
        """When `tick` has something to do."""
        return self._due_s

    def in_flight(self) -> list[Pending]:
        """Return those that were sent and have no result."""
        return [pending for pending in self._flight.items if not pending.done]

    def queued(self) -> list[Pending]:
        """Return those that were never sent."""
        return list(self._queue)

    def find(self, number: int) -> Pending | None:
        """Return the request in flight with this sequence number that has no result."""
        offset = self._offset(number)
        if offset >= len(self._flight.items) or self._flight.items[offset].done:
            return None
        return self._flight.items[offset]

    def submit(self, pending: Pending) -> None:
        """Queue a request; `pump` sends it."""
        self._queue.append(pending)

    def heard(self) -> None:
        """Take note of a sound frame of the session."""
        self._silent_expiries = 0

    def halt(self) -> None:
        """Send nothing more until `restart`: an ABORT is under way."""
        self._halted = True
        self._due_s = None

    def pump(self, now_s: float) -> None:
        """Send what the device has room for (H5)."""
        flight = self._flight
        while self._queue and not self._halted and len(flight.items) < self._limits.window:
            pending = self._queue[0]
            if not pending.wire:
                pending.number = self._next
                frame = Frame(Kind.REQUEST, self._next, self._limits.session, pending.content)
                pending.wire = encode_frame(frame)
            if flight.items and flight.size_bytes + len(pending.wire) > self._limits.rx_bytes:
                return
            self._queue.popleft()
            self._next = (self._next + 1) % NUMBER_SPACE
            flight.items.append(pending)
            flight.size_bytes += len(pending.wire)
            pending.sent_at_s = now_s
            pending.sends = pending.attempts = 1
            self._outlet.send(pending.wire)
            if self._due_s is None:
                self._due_s = self._due_after(now_s)

    def accept(self, expected: int, now_s: float, *, measure: bool = False) -> list[Pending] | None:
        """Take all before `expected` as accepted; None if that number is none that could be expected now.

        With `measure` the answer is the direct one to the request before `expected`: a round trip.
        """
        flight = self._flight
        offset = self._offset(expected)
        if offset > len(flight.items):
            return None
        if offset <= flight.accepted:
            return []
        newest = flight.items[offset - 1]
        if measure and newest.sends == 1:
            self._rtt.sample(now_s - newest.sent_at_s, len(newest.wire))
        flight.accepted = offset
        # RFC 6298 rules 5.2 and 5.3: off when all is acknowledged, else started anew.
        self._due_s = self._due_after(now_s) if offset < len(flight.items) and not self._halted else None
        return self._announce(offset)

    def believe(self, expected: int, now_s: float) -> list[Pending] | None:
        """Take `expected` of a KEEPALIVE answer as the truth (H6), even where more was believed accepted."""
        flight = self._flight
        offset = self._offset(expected)
        if offset < flight.accepted:
            if any(pending.done for pending in islice(flight.items, offset, None)):
                raise violation(f"the device expects request {expected}, for which it had sent a result")
            flight.accepted = offset
            self._send_unaccepted(now_s)
            return []
        return self.accept(expected, now_s)

    def go_back(self, number: int, now_s: float) -> list[Pending] | None:
        """Obey a NAK: send all from `number` on again, once a round trip (H6)."""
        accepted = self.accept(number, now_s)
        flight = self._flight
        offset = self._offset(number)
        if accepted is None or offset < flight.accepted:
            return None
        if offset < len(flight.items) and not self._halted:
            round_trip_s = self._rtt.rto_s if self._rtt.srtt_s is None else self._rtt.srtt_s
            last = self._rewound
            if last is None or last[0] != number or now_s - last[1] >= round_trip_s:
                self._send_unaccepted(now_s)
        return accepted

    def complete(self, pending: Pending, now_s: float) -> list[Pending]:
        """Take the RESULT of a request that `find` gave: it acknowledges acceptance of all up to it (D12)."""
        flight = self._flight
        accepted = self.accept((pending.number + 1) % NUMBER_SPACE, now_s) or []
        pending.done = True
        flight.size_bytes -= len(pending.wire)
        while flight.items and flight.items[0].done:
            flight.items.popleft()
            flight.accepted -= 1
        # Results come in order: whoever stands before this one has lost its own (H8).
        self.ask_up_to(pending.number, now_s)
        return accepted

    def ask_up_to(self, done: int, now_s: float) -> None:
        """Ask again for the results of all up to number `done`: the device has completed them (H8)."""
        flight = self._flight
        offset = self._offset(done)
        if offset >= flight.accepted or self._halted:
            return
        for pending in islice(flight.items, offset + 1):
            asked_s = pending.asked_at_s
            if not pending.done and (asked_s is None or now_s - asked_s >= self._rtt.rto_s):
                pending.asked_at_s = now_s
                self._again(pending, counts=True)

    def restart(self, expected: int) -> tuple[list[Pending], list[Pending]]:
        """Begin anew at the number that the answer to ABORT names (D17).

        Returns whom it newly shows as accepted and whom the device never had. Raises LinkDownError for a
        number that contradicts what came before.
        """
        flight = self._flight
        offset = self._offset(expected)
        dropped = list(islice(flight.items, offset, None))
        if offset > len(flight.items) or any(pending.done for pending in dropped):
            raise violation(f"after ABORT the device expects request {expected}, which cannot be")
        for pending in dropped:
            flight.items.pop()
            flight.size_bytes -= len(pending.wire)
        dropped += self._queue
        self._queue.clear()
        flight.accepted = offset
        self._next = expected
        self._halted = False
        self._rewound = None
        return self._announce(offset), dropped

    def tick(self, now_s: float) -> None:
        """Send again all that is overdue (H7). Raises LinkDownError when the device has fallen silent."""
        if self._due_s is None or now_s < self._due_s:
            return
        self._silent_expiries += 1
        if self._silent_expiries >= self._tuning.silent_expiries_max:
            raise LinkDownError(
                LossReason.SILENT, f"{self._silent_expiries} timeouts passed without a sound frame"
            )
        self._rtt.back_off()
        self._send_unaccepted(now_s)

    def _offset(self, number: int) -> int:
        """Return how far after the oldest unfinished request a number lies; large for those before it."""
        oldest = self._flight.items[0].number if self._flight.items else self._next
        return (number - oldest) % NUMBER_SPACE

    def _announce(self, offset: int) -> list[Pending]:
        newly = [pending for pending in islice(self._flight.items, offset) if not pending.announced]
        for pending in newly:
            pending.announced = True
        return newly

    def _send_unaccepted(self, now_s: float) -> None:
        for place, pending in enumerate(islice(self._flight.items, self._flight.accepted, None)):
            self._again(pending, counts=place == 0)
            if place == 0:
                self._rewound = (pending.number, now_s)
        self._due_s = self._due_after(now_s)

    def _due_after(self, now_s: float) -> float:
        """Return when acceptance is overdue: the line first has to carry all that is not accepted (H7)."""
        unaccepted = islice(self._flight.items, self._flight.accepted, None)
        unaccepted_bytes = sum(len(pending.wire) for pending in unaccepted)
        return now_s + self._rtt.rto_s + self._rtt.line_s(unaccepted_bytes)

    def _again(self, pending: Pending, *, counts: bool) -> None:
        if counts:
            if pending.attempts >= self._tuning.attempts_max:
                raise LinkDownError(
                    LossReason.NO_PROGRESS,
                    f"{pending.opcode.name} was sent {pending.attempts} times "
                    f"without {'its result' if pending.announced else 'being accepted'}",
                )
            pending.attempts += 1
        pending.sends += 1
        self._counters.retransmitted += 1
        self._outlet.send(pending.wire)
