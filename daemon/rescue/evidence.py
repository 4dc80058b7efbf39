"""How sure repeated reads make us of a bit.

Reads of one bit at one supply are taken as independent trials with a probability nobody knows. If it read
otherwise in k of n reads, that probability is below the upper Clopper-Pearson bound: the p for which k or
fewer of n would come with a probability of alpha (Clopper and Pearson, Biometrika 26, 1934, p. 404). For
k = 0 it is 1 - alpha ** (1 / n); with alpha = 0.05 about 3 / n (Hanley and Lippman-Hand, JAMA 249, 1983).
"""

import math
from functools import cache

#: A claim on one bit is wrong with at most this probability, as far as reads alone can tell.
ALPHA = 0.01
#: A bit is called certain when its chance to read otherwise is below this: a vote then has it right.
OTHERWISE_MAX = 0.25
#: Reads that all agree and are enough for that: (1 - 0.25) ** 17 < 0.01.
READS_MIN = math.ceil(math.log(ALPHA) / math.log(1 - OTHERWISE_MAX))


@cache
def upper_bound(otherwise: int, reads: int, alpha: float = ALPHA) -> float:
    """Return below what the probability of reading otherwise is, `otherwise` of `reads` having done so.

    Raises ValueError for counts that cannot be.
    """
    if reads < 1 or not 0 <= otherwise <= reads:
        raise ValueError(f"{otherwise} of {reads} reads cannot be")
    if otherwise == reads:
        return 1.0
    if otherwise == 0:
        return float(1 - alpha ** (1 / reads))
    low, high = otherwise / reads, 1.0
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if _at_most(otherwise, reads, middle) > alpha else (low, middle)
    return high


def _at_most(k: int, n: int, p: float) -> float:
    """Return the probability of k or fewer successes in n trials."""
    return sum(math.comb(n, i) * p**i * (1 - p) ** (n - i) for i in range(k + 1))


@cache
def dissent_max(reads: int, below: float) -> int:
    """Return how many of `reads` may be otherwise for `upper_bound` to stay below `below`; -1 for none."""
    most = -1
    while most + 1 <= reads and upper_bound(most + 1, reads) < below:
        most += 1
    return most
