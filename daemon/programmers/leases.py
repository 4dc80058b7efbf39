"""Who may use a programmer, while several clients share it. A lone client needs no lease."""

import secrets
import threading
from dataclasses import dataclass

from daemon.clock import Clock
from daemon.errors import BenchError, Code


@dataclass(frozen=True, slots=True)
class Lease:
    """The right to start jobs on a programmer, for `expires_in_s` more seconds unless renewed."""

    id: str
    programmer_id: str
    holder: str
    expires_in_s: float


@dataclass(slots=True)
class _Held:
    id: str
    holder: str
    until_s: float


class Leases:
    """At most one lease a programmer."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._held: dict[str, _Held] = {}

    def take(self, programmer_id: str, holder: str, ttl_s: float) -> Lease:
        """Take a lease, or renew the one that `holder` has.

        Raises BenchError `lease-held` while another holder's has not run out.
        """
        with self._lock:
            held = self._current(programmer_id)
            if held is not None and held.holder != holder:
                raise self._taken(held)
            until_s = self._clock.monotonic_s() + ttl_s
            if held is None:
                held = _Held(f"l_{secrets.token_hex(8)}", holder, until_s)
                self._held[programmer_id] = held
            held.until_s = until_s
            return Lease(held.id, programmer_id, holder, ttl_s)

    def release(self, programmer_id: str, lease_id: str) -> None:
        """Give a lease back. Raises BenchError `lease-unknown` when it is not the one that is held."""
        with self._lock:
            held = self._current(programmer_id)
            if held is None or held.id != lease_id:
                raise BenchError(
                    Code.LEASE_UNKNOWN,
                    f"lease {lease_id} is not held on programmer {programmer_id}",
                    hint="It may have run out; nothing is left to release.",
                )
            del self._held[programmer_id]

    def require(self, programmer_id: str, lease_id: str | None) -> None:
        """Raise BenchError `lease-held` unless nobody else holds the programmer."""
        with self._lock:
            held = self._current(programmer_id)
            if held is not None and held.id != lease_id:
                raise self._taken(held)

    def of(self, programmer_id: str) -> Lease | None:
        """Return the lease that is held, without its id's secrecy being needed: ids are no passwords."""
        with self._lock:
            held = self._current(programmer_id)
            if held is None:
                return None
            return Lease(held.id, programmer_id, held.holder, held.until_s - self._clock.monotonic_s())

    def _current(self, programmer_id: str) -> _Held | None:
        held = self._held.get(programmer_id)
        if held is not None and held.until_s <= self._clock.monotonic_s():
            del self._held[programmer_id]
            return None
        return held

    def _taken(self, held: _Held) -> BenchError:
        left_s = held.until_s - self._clock.monotonic_s()
        return BenchError(
            Code.LEASE_HELD,
            f"the programmer is leased to {held.holder} for {left_s:.0f} s more",
            hint="Wait until it is released or runs out.",
            details={"holder": held.holder, "expires_in_s": round(left_s, 1)},
        )
