"""How long the chip itself takes: the floor under every estimate. All in seconds."""

import math

from daemon.catalogue.model import Part
from daemon.catalogue.terms import Loop
from daemon.errors import BenchError, Code


def fastest_program_s(part: Part, words: int | None = None) -> float:
    """Return the shortest time in which `words` words (all of them by default) can be programmed.

    Pulse loops: every word takes its first pulse and the overprogram pulse that belongs to one pulse. Parts
    that time their own writes: the typical write cycle, or the longest where the sheet gives no typical, for
    each word or page. Supply switching, verify and erase are not included. Raises BenchError
    `part-read-only` for a part that cannot be written.
    """
    write = part.write
    if write is None:
        raise BenchError(
            Code.PART_READ_ONLY,
            f"{part.name} is a {part.kind} and cannot be programmed",
            hint="Choose a part that can be written and fits the same socket.",
        )
    count = part.words if words is None else words
    if write.pulse_us is not None:
        return count * write.pulse_us * (1 + write.overprogram_factor) / 1e6
    cycle_us = write.write_cycle_us_typ or write.write_cycle_us_max or 0.0
    if write.loop is Loop.PAGE_WRITE and write.page_bytes:
        count = math.ceil(count * part.word_bytes / write.page_bytes)
    return count * cycle_us / 1e6


def chip_erase_s(part: Part) -> float | None:
    """Return the typical time of a whole-chip electrical erase, else the longest; None without one."""
    chip_ms = part.erase.chip_ms_typ or part.erase.chip_ms_max
    return None if chip_ms is None else chip_ms / 1e3
