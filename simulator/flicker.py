"""Contacts of a tired socket: which of a block's words they are open for.

An intermittent contact opens for a run of words and closes again. Runs of a few words, here and there, are
ours: what a bench sees ranges from single words to seconds.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Words in one run.
RUN_WORDS = 8


@dataclass(frozen=True, slots=True)
class Flicker:
    """One bit of a word that comes over an intermittent contact, and what it reads while that is open."""

    bit: int
    share: float
    open_level: bool


def flickering(words: NDArray[np.uint64], bits: Iterable[Flicker], noise: np.random.Generator) -> None:
    """Put the open level into those words, in place, during which a contact is open."""
    for each in bits:
        runs = noise.random(-(-len(words) // RUN_WORDS) + 1) < each.share
        start = int(noise.integers(RUN_WORDS))
        is_open = np.repeat(runs, RUN_WORDS)[start : start + len(words)]
        mask = np.uint64(1 << each.bit)
        if each.open_level:
            words[is_open] |= mask
        else:
            words[is_open] &= ~mask
