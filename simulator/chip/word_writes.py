"""Words that a chip is given one after another, each by the same few write cycles, taken as one.

What a part that times its own writes does to a word does not depend on the words around it, as long as no two
of them meet in one row and each finds it at rest. Then thousands are one step for the cells, and what time
did not reach can be undone.
"""

from collections.abc import Sequence

from simulator.chip.cells import Cells, Rows, Words
from simulator.chip.commands import Machine


class WordWrites:
    """The writes of `words` to `rows` of the die, from now on. `lasting_s` says how long each takes the part.

    The chip must be left alone between `carry_out` and the last `undo`, but for being read.
    """

    def __init__(self, machine: Machine, cells: Cells, rows: Rows, words: Words) -> None:
        self._machine = machine
        self._cells = cells
        self._rows = rows
        self._words = words
        self._mark = machine.mark()
        self._before = cells.thresholds_mv(rows)
        self._ends_s: Sequence[float] = ()
        self.lasting_s = machine.draw_cycles_s(len(rows))
        self._drawn = len(rows)

    def carry_out(self, ends_s: Sequence[float]) -> None:
        """Write as many words as there are times, at which the part is done with each."""
        count = len(ends_s)
        self._machine.settle(self._rows[:count], self._words[:count])
        self._ends_s = ends_s
        self._stand_after(count)

    def undo(self, from_index: int) -> None:
        """Make the writes from this word on undone: as if only the words before had been given."""
        self._cells.put_thresholds_mv(self._rows[from_index:], self._before[from_index:])
        self._stand_after(from_index)

    def _stand_after(self, count: int) -> None:
        if count < self._drawn:
            self._machine.go_back(self._mark)
            self._machine.draw_cycles_s(count)
            self._drawn = count
        if count:
            self._machine.finish(int(self._words[count - 1]), self._ends_s[count - 1])
