"""The retransmission timeout, after RFC 6298.

V. Paxson and others, "Computing TCP's Retransmission Timer", 2011. Rule and equation numbers are that text's.
"""

from protocol.host.tuning import LinkTuning

#: RFC 6298 section 2: alpha = 1/8, beta = 1/4, K = 4.
ALPHA = 1 / 8
BETA = 1 / 4
K = 4
#: G of RFC 6298: how finely the host can be expected to notice the time (a select call's millisecond).
GRANULARITY_S = 0.001


class RoundTrip:
    """Smoothed round trip, its deviation, and the timeout that follows from them; seconds.

    The caller must not give samples of frames that were sent twice (Karn's rule, RFC 6298 section 3).
    """

    def __init__(self, tuning: LinkTuning) -> None:
        self._tuning = tuning
        self._pulse_s = 0.0
        self._computed_s = tuning.rto_first_s
        self._backed_off = 1.0
        self._byte_s = tuning.byte_first_s
        self.srtt_s: float | None = None
        self.rttvar_s = 0.0

    @property
    def rto_s(self) -> float:
        """The timeout now: the formula's, doubled for each expiry, within the floor and the ceiling."""
        backed_off = max(self._computed_s, self.floor_s) * self._backed_off
        return max(self.floor_s, min(self._tuning.rto_most_s, backed_off))

    @property
    def floor_s(self) -> float:
        """The least timeout: adapters hold bytes back, and some devices look at their input once a pulse."""
        return self._tuning.rto_least_s + self._pulse_s

    def set_pulse(self, pulse_s: float) -> None:
        """Take the part's pulse into the floor."""
        self._pulse_s = pulse_s

    @property
    def byte_s(self) -> float:
        """How long a byte needs on the line at most, by the best that it has shown."""
        return self._byte_s

    def line_s(self, length_bytes: int) -> float:
        """Return how long so many bytes may need on the line, by the best that it has shown."""
        return length_bytes * self._byte_s

    def sample(self, rtt_s: float, length_bytes: int) -> None:
        """Take one round trip of a frame of so many bytes (equations 2.2 and 2.3); the doubling ends."""
        self._byte_s = min(self._byte_s, rtt_s / length_bytes)
        if self.srtt_s is None:
            self.srtt_s = rtt_s
            self.rttvar_s = rtt_s / 2
        else:
            # The deviation uses the smoothed value from before this sample: the order is RFC 6298's.
            self.rttvar_s = (1 - BETA) * self.rttvar_s + BETA * abs(self.srtt_s - rtt_s)
            self.srtt_s = (1 - ALPHA) * self.srtt_s + ALPHA * rtt_s
        self._computed_s = self.srtt_s + max(GRANULARITY_S, K * self.rttvar_s)
        self._backed_off = 1.0

    def back_off(self) -> None:
        """Double the timeout after an expiry (rule 5.5)."""
        if self.rto_s < self._tuning.rto_most_s:
            self._backed_off *= 2
