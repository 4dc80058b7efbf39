"""How the dose that a cell needs scatters from cell to cell: laws to choose from, none was published.

Each gives a factor for a cell, of median 1 and with the same standard deviation of its logarithm, that
multiplies the dose constant. What a factor does to a threshold is the decay of charge in `process`. Formulas
of the distributions: any textbook of statistics.
"""

import math
from enum import StrEnum
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simulator.chip import scatter

#: Cells in a million that the law `SLOW_CELLS` makes slow, and by how much (ours).
SLOW_PPM = 100.0
SLOW_FACTOR = 1.5

Table = NDArray[np.float32]


class EraseLaw(StrEnum):
    """What scatters, and how."""

    LOG_NORMAL = "log-normal"
    """The factor is log-normal."""
    DECAY = "decay"
    """All cells lose charge alike; what scatters is how much they hold (see `Process.with_erase_law`)."""
    WEIBULL = "weibull"
    """A short tail: ends sooner than a log-normal one of the same spread."""
    LOG_LOGISTIC = "log-logistic"
    """A heavy tail: the last bits take far longer."""
    SLOW_CELLS = "slow-cells"
    """Log-normal, but for a few cells in a million that take half as much again."""


@lru_cache(maxsize=64)
def factor_tables(law: EraseLaw, sigma: float) -> tuple[Table, Table]:
    """Return the quantiles of the factor in `scatter.TABLE_SIZE` equal steps, and those within the last step.

    `sigma` is the standard deviation of the factor's logarithm (0 or more). Read-only.
    """
    steps = (np.arange(scatter.TABLE_SIZE) + 0.5) / scatter.TABLE_SIZE
    # Chances of being above; the last step is split once more, so that a cell in 4 x 10^9 has its own place.
    coarse, fine = 1 - steps, (1 - steps) / scatter.TABLE_SIZE
    match law:
        case EraseLaw.WEIBULL:
            shape = math.pi / math.sqrt(6) / sigma if sigma else math.inf
            tables = [(-np.log(above) / math.log(2)) ** (1 / shape) for above in (coarse, fine)]
        case EraseLaw.LOG_LOGISTIC:
            scale = sigma * math.sqrt(3) / math.pi
            tables = [((1 - above) / above) ** scale for above in (coarse, fine)]
        case _:
            normal = (scatter.normal_quantiles(), scatter.highest_normal_quantiles())
            tables = [np.exp(sigma * each.astype(np.float64)) for each in normal]
    made = tuple(table.astype(np.float32) for table in tables)
    for table in made:
        table.flags.writeable = False
    return made[0], made[1]
