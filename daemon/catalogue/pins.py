"""What the pin names of a package mean.

A name is written as makers print it: `/CE` is active low, `/OE|VPP` is one pin with two jobs, `D15|A-1` too.
Pin numbers count from 1.
"""

import re
from collections.abc import Mapping, Sequence
from functools import lru_cache

_NUMBERED = re.compile(r"([AD])(\d+)")


def jobs_of(name: str) -> tuple[str, ...]:
    """Return the jobs of one pin: `/OE|VPP` has two."""
    return tuple(name.split("|"))


def numbers_of(pins: Sequence[str], signal: str) -> tuple[int, ...]:
    """Return the numbers of the pins that carry `signal`, given as the whole pin name or one of its jobs."""
    return _by_signal(tuple(pins)).get(signal, ())


@lru_cache(maxsize=512)
def _by_signal(pins: tuple[str, ...]) -> Mapping[str, tuple[int, ...]]:
    """Return signal -> pin numbers; kept, since every check of a part asks about the same pins."""
    found: dict[str, tuple[int, ...]] = {}
    for number, name in enumerate(pins, 1):
        for signal in dict.fromkeys((name, *jobs_of(name))):
            found[signal] = (*found.get(signal, ()), number)
    return found


def is_ground(name: str) -> bool:
    """Tell whether the pin is a ground pin."""
    return name in ("GND", "VSS")


def is_idle(name: str) -> bool:
    """Tell whether the pin needs nothing: not connected, or an output that we do not use."""
    return "NC" in jobs_of(name)


def numbered(pins: Sequence[str], letter: str) -> dict[int, list[int]]:
    """Return bit number -> pin numbers for the signals A0, A1... or D0, D1..."""
    found: dict[int, list[int]] = {}
    for number, name in enumerate(pins, 1):
        for job in jobs_of(name):
            match = _NUMBERED.fullmatch(job)
            if match and match[1] == letter:
                found.setdefault(int(match[2]), []).append(number)
    return found
