"""The least time that a job can take: from the device's own figures and the part's sheet, and nothing else.

Independent of the daemon's code: what a job does is spelled out here once more, from SPEC.md and the sheets.
"""

from dataclasses import dataclass
from itertools import pairwise

from daemon.catalogue.model import Part
from daemon.catalogue.terms import Loop
from protocol.identity import Timing

#: Start bit, eight data bits, stop bit.
BITS_PER_BYTE = 10


@dataclass(frozen=True, slots=True)
class Line:
    """A serial line: its speed and how long it holds bytes back each way, s."""

    baud: int
    latency_s: float

    def carries_s(self, data_bytes: int) -> float:
        """Return the time that bytes take on it."""
        return data_bytes * BITS_PER_BYTE / self.baud


def job_limit_s(
    part: Part, timing: Timing, line: Line, pulses: int, lowest_v: float, *, sent_twice: bool = False
) -> float:
    """Return the least time of a whole main job on a dense image.

    Each pass takes the longer of what the line needs for the image and of pulses x width with the device's
    own time for each word. A second pass has to read every word once and to give the pulses that were
    missing; with `sent_twice` the whole image crosses the line once more for it. Then all looks: blank at the
    nominal and at the lowest supply, verify at the part's supplies, checksum. Each change of VCC settles
    once; that of VPP and of the ID voltage is not counted.
    """
    assert part.write is not None
    pulse_s = (part.write.pulse_us or 0) / 1e6
    own_s = part.words * timing.program_ns_per_word / 1e9
    scan_s = part.words * timing.read_ns_per_word / 1e9
    line_s = line.carries_s(part.size_bytes)
    passes_s = max(line_s, pulses * pulse_s + own_s)
    if part.write.loop is Loop.FIRST_PASS_THEN_VERIFY:
        passes_s += max(line_s, scan_s) if sent_twice else scan_s
    supplies = part.supplies
    nominal_v = supplies.vcc_read_v
    looks_v = [nominal_v, lowest_v, *supplies.supply_checks_v, nominal_v]
    asked_v = [0.0, nominal_v, lowest_v, supplies.vcc_program_v, *supplies.supply_checks_v, nominal_v, 0.0]
    changes = sum(one != two for one, two in pairwise(asked_v))
    return passes_s + len(looks_v) * scan_s + changes * timing.settle_ms / 1e3


def read_limit_s(line: Line, data_bytes: int) -> float:
    """Return the least time of a read: the bytes on the line, the way to the device and the way back."""
    return line.carries_s(data_bytes) + 2 * line.latency_s
