"""Spread from cell to cell that needs no storage: the same seed and cell always give the same value.

A 32-bit integer hash (the finaliser of MurmurHash3, public domain) of the cell's number stands for a draw;
its halves index tables of normal quantiles.
"""

from functools import cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

#: Entries of a quantile table; the outermost lie at 4.3 sigma.
TABLE_SIZE = 1 << 16

_MASK = 0xFFFF_FFFF


def mix(seed: int, stream: int) -> int:
    """Return a 32-bit key for one stream of draws of a seed; streams of one seed are unrelated."""
    value = (seed * 0x9E37_79B1 + stream * 0x85EB_CA77 + 0x27D4_EB2F) & _MASK
    for _ in range(2):
        value ^= value >> 15
        value = value * 0x2C1B_3C6D & _MASK
        value ^= value >> 12
        value = value * 0x297A_2D39 & _MASK
        value ^= value >> 15
    return value


def draws(cells: NDArray[np.uint32], key: int) -> NDArray[np.uint32]:
    """Return one uniform 32-bit draw for each cell number."""
    value = cells * np.uint32(0x9E37_79B1)
    value ^= np.uint32(key)
    value ^= value >> np.uint32(16)
    value *= np.uint32(0x85EB_CA6B)
    value ^= value >> np.uint32(13)
    value *= np.uint32(0xC2B2_AE35)
    value ^= value >> np.uint32(16)
    return value


def low_half(value: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """Return the lower 16 bits, an index into a quantile table."""
    return value & np.uint32(0xFFFF)


def high_half(value: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """Return the upper 16 bits, unrelated to the lower ones."""
    return value >> np.uint32(16)


@cache
def normal_quantiles() -> NDArray[np.float32]:
    """Return the quantiles of the standard normal at the middles of `TABLE_SIZE` equal steps; read-only."""
    normal = NormalDist()
    half = [normal.inv_cdf((index + 0.5) / TABLE_SIZE) for index in range(TABLE_SIZE // 2)]
    table = np.array(half + [-value for value in reversed(half)], dtype=np.float32)
    table.flags.writeable = False
    return table


@cache
def highest_normal_quantiles() -> NDArray[np.float32]:
    """Return the quantiles within the last step of `normal_quantiles`, in as many steps again; read-only."""
    normal = NormalDist()
    above = [(1 - (index + 0.5) / TABLE_SIZE) / TABLE_SIZE for index in range(TABLE_SIZE)]
    table = np.array([-normal.inv_cdf(chance) for chance in above], dtype=np.float32)
    table.flags.writeable = False
    return table


def lognormal_quantiles(sigma: float) -> NDArray[np.float32]:
    """Return the quantiles of a log-normal of median 1."""
    table: NDArray[np.float32] = np.exp(np.float32(sigma) * normal_quantiles())
    return table
