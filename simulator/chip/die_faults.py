"""Lines that are dead inside a chip: the pins are good, and the pin check finds nothing."""

from dataclasses import dataclass

import numpy as np

from simulator.chip.cells import Rows, Words


@dataclass(frozen=True, slots=True)
class DieFaults:
    """Masks of address lines and of outputs that are always low, or always high, behind their pins."""

    rows_low: int = 0
    rows_high: int = 0
    outputs_low: int = 0
    outputs_high: int = 0

    def rows(self, rows: Rows) -> Rows:
        """Return the word addresses that the decoder gets for those at the pins."""
        return rows & np.uint32(~self.rows_low & 0xFFFFFFFF) | np.uint32(self.rows_high)

    def outputs(self, words: Words) -> Words:
        """Return the words at the pins for those that the cells give."""
        return words & np.uint16(~self.outputs_low & 0xFFFF) | np.uint16(self.outputs_high)
