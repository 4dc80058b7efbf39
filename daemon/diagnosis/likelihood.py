"""How probable what was seen would be: counts of bits that a prediction missed, with rates nobody knows.

A rate that is not known is integrated over: k misses among n under a Beta(a, b) prior have the marginal
probability B(a + k, b + n - k) / B(a, b) for their places together (the beta-binomial; Gelman et al.,
Bayesian Data Analysis, section 2.4). What content nobody knows costs is that of an adaptive code over its
bytes (Dirichlet prior of 1/2 each; Krichevsky and Trofimov, IEEE Trans. Inform. Theory 27, 1981).
All results are natural logarithms.
"""

import math
from dataclasses import dataclass
from enum import Enum
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Rate:
    """A Beta(a, b) prior of a rate."""

    a: float
    b: float

    def log_marginal(self, missed: int, of: int) -> float:
        """Return the logarithm of the probability of `missed` certain ones among `of`."""
        return _log_beta(self.a + missed, self.b + of - missed) - _log_beta(self.a, self.b)


def _log_beta(a: float, b: float) -> float:
    return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)


#: A prediction that holds: hardly a bit in ten thousand is otherwise (all figures here are ours).
CLEAN = Rate(0.01, 10_000.0)
#: Steady cells: hardly a bit in a hundred thousand changes from look to look.
STEADY = Rate(0.2, 50_000.0)
#: A few cells of a chip.
FEW = Rate(1.0, 3_000.0)
#: Many cells, up to all of them.
MANY = Rate(1.0, 4.0)
#: Cells near the trip point that change between two looks at one supply.
FLICKER = Rate(0.5, 50.0)
#: Nothing is foretold.
ANY = Rate(1.0, 1.0)
#: How often a loose contact is open, or an open input disturbed.
NOW_AND_THEN = Rate(1.0, 4.0)


class Cells(Enum):
    """What cells add to a prediction: the rates of zeros where a 1 is due, and of ones where a 0 is due.

    `margin`: they change with the supply, all in the direction of the supply's change.
    """

    SOUND = (CLEAN, CLEAN, False)
    STUCK = (FEW, FEW, False)
    OLD_ZEROS = (MANY, CLEAN, False)
    FADING_ZEROS = (MANY, CLEAN, True)
    FEW_ONES = (CLEAN, FEW, True)
    MANY_ONES = (CLEAN, MANY, True)
    ANYHOW = (ANY, ANY, True)

    @property
    def zeros(self) -> Rate:
        """Of bits that read 0 where a 1 is due."""
        return self.value[0]

    @property
    def ones(self) -> Rate:
        """Of bits that read 1 where a 0 is due."""
        return self.value[1]

    @property
    def margin(self) -> bool:
        """Whether they change with the supply and from look to look."""
        return self.value[2]


@dataclass(frozen=True, slots=True)
class Misses:
    """What a prediction of one look missed: bits that read 0 of those due 1, and the other way round."""

    zeros: int
    of_ones: int
    ones: int
    of_zeros: int

    def log_probability(self, cells: Cells) -> float:
        """Return how probable these misses are."""
        return cells.zeros.log_marginal(self.zeros, self.of_ones) + cells.ones.log_marginal(
            self.ones, self.of_zeros
        )

    @property
    def bits(self) -> int:
        """All of them."""
        return self.zeros + self.ones


def misses(predicted: "NDArray[np.uint16]", seen: "NDArray[np.uint16]", width_bits: int) -> Misses:
    """Compare a prediction with a look."""
    import numpy as np

    ones = int(np.bitwise_count(predicted).sum())
    zeros = int(np.bitwise_count(predicted & ~seen).sum())
    extra = int(np.bitwise_count(seen & ~predicted).sum())
    return Misses(zeros, ones, extra, len(seen) * width_bits - ones)


def log_unforeseen(words: "NDArray[np.uint16]", width_bits: int) -> float:
    """Return how probable these words are where nothing is known of them but that they are some content.

    By its bytes or by its data lines, whichever says more: few words do not tell 256 frequencies.
    """
    import numpy as np

    data = words.astype("<u2").view(np.uint8) if width_bits == 16 else words.astype(np.uint8)
    counts = np.bincount(data, minlength=256)
    total = int(counts.sum())
    half = 0.5
    log_p = math.lgamma(256 * half) - math.lgamma(256 * half + total)
    log_p += sum(_log_gamma(int(count) + half) for count in counts if count)
    log_p -= int(np.count_nonzero(counts)) * _log_gamma(half)
    by_line = sum(
        ANY.log_marginal(int(np.count_nonzero(words >> bit & 1)), len(words)) for bit in range(width_bits)
    )
    return max(log_p, by_line) - math.log(2)


@cache
def _log_gamma(value: float) -> float:
    return math.lgamma(value)
