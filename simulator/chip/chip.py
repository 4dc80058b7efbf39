"""One physical chip: what it truly is, whatever its label says and whatever it is taken for."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, auto
from math import isnan

import numpy as np
from numpy.typing import NDArray

from daemon.catalogue.model import Part
from daemon.catalogue.terms import Kind, Mode
from simulator.chip import scatter
from simulator.chip.cells import Cells, Rows, Words
from simulator.chip.commands import Cycle, Machine
from simulator.chip.die_faults import DieFaults
from simulator.chip.machines import machine_for
from simulator.chip.modes import ModeTable
from simulator.chip.process import Process
from simulator.chip.word_writes import WordWrites

#: Seed streams: what an open input drifts to, what else is drawn for the whole chip.
_DRIFT_STREAM = 100
_CHIP_STREAM = 200
#: A floating input settles at one of these (ours).
_DRIFT_V = (0.0, 3.0)
#: An erase pulse of less than this share of its voltage or time does nothing (ours; sheets allow a few %).
_ERASES_FROM = 0.95


class Does(Enum):
    """What a chip does with its data pins in the state that its pins have put it in."""

    NOTHING = auto()
    OUTPUT = auto()
    IDENTIFY = auto()
    PROGRAM = auto()
    WRITE = auto()
    ERASE = auto()


_DEEDS = {
    Mode.READ: Does.OUTPUT,
    Mode.VERIFY: Does.OUTPUT,
    Mode.SIGNATURE: Does.IDENTIFY,
    Mode.PROGRAM: Does.PROGRAM,
    Mode.WRITE: Does.WRITE,
    Mode.ERASE: Does.ERASE,
}
_OUTPUTS = frozenset({Does.OUTPUT, Does.IDENTIFY})


@dataclass(frozen=True, slots=True)
class State:
    """What the pins make of the chip: mode, deed, and the supplies that reach the die."""

    mode: Mode | None
    does: Does
    vcc_v: float
    vpp_v: float

    @property
    def drives(self) -> bool:
        """Tell whether the chip drives its data pins."""
        return self.does in _OUTPUTS


class Chip:
    """A chip of one part.

    `die_words` is less than the part's for a half-size die sold as a whole one: the upper address lines
    lead nowhere. `locked` parts refuse to be written. `access_ns` is how long the die takes to answer,
    drawn inside its grade if not given; a slow die has more than its label allows. `faults` are lines that
    are dead inside. A mask ROM holds what `program_at_maker` gives it.
    """

    def __init__(
        self,
        part: Part,
        seed: int = 0,
        *,
        label: str | None = None,
        die_words: int | None = None,
        locked: bool = False,
        process: Process | None = None,
        access_ns: float | None = None,
        faults: DieFaults | None = None,
    ) -> None:
        self.part = part
        self.faults = faults
        self.seed = seed
        self.label = part.name if label is None else label
        self.die_words = part.words if die_words is None else die_words
        own = scatter.mix(seed, _CHIP_STREAM)
        made = process or Process.of_part(part, own)
        blank_word = part.blank_byte * 0x0101 & (1 << part.width_bits) - 1
        self._cells = Cells(self.die_words, part.width_bits, made, own, blank_word)
        self.access_ns = (
            part.slowest_access_ns * (0.6 + own % 1000 / 3333) if access_ns is None else access_ns
        )
        self.table = ModeTable(part)
        self.machine: Machine | None = machine_for(part, self._cells, own, locked)
        self.damage: str | None = None
        self._drifts = {
            pin: _DRIFT_V[scatter.mix(own, _DRIFT_STREAM + pin) & 1] for pin in range(1, len(part.pins) + 1)
        }

    @property
    def cells(self) -> Cells:
        """The cells, with all that was written in them."""
        if self.machine is not None:
            self.machine.flush()
        return self._cells

    @property
    def has_window(self) -> bool:
        """Tell whether light reaches the die."""
        return self.part.kind is Kind.UV_EPROM

    @property
    def diodes(self) -> tuple[tuple[int, int], ...]:
        """Protection diodes as (anode, cathode) pins: ground to every pin, every pin to VCC.

        Pins made for a higher voltage than VCC lack the second one (standard CMOS input protection, from
        memory).
        """
        part = self.part
        pins = [pin for pin in range(1, len(part.pins) + 1) if self.table.connected(pin)]
        up = [(ground, pin) for ground in part.ground_pins for pin in pins if pin not in part.ground_pins]
        down = [
            (pin, vcc)
            for vcc in part.vcc_pins
            for pin in pins
            if pin not in self.table.power_pins and not self.table.takes_high_voltage(pin)
        ]
        return (*up, *down)

    def drift_v(self, pin: int) -> float:
        """Return where an input of this chip settles when nothing drives it; VPP pins leak to ground."""
        return 0.0 if pin in self.part.vpp_pins else self._drifts[pin]

    # What the pins make of it

    def feel(self, volts: Mapping[int, float]) -> State:
        """Let these voltages stand on the pins (NaN: not driven); over-voltage destroys the chip for good."""
        table = self.table
        hurt = table.hurt(volts)
        if hurt and self.damage is None:
            pin, value, limit = hurt
            name = self.part.signal_of(pin)
            self.damage = f"pin {pin} ({name}) was given {value:g} V and stands {limit:g} V"
        vcc_v = table.vcc_v(volts)
        if self.damage is not None:
            return State(None, Does.NOTHING, vcc_v, 0.0)
        settled = {
            pin: self.drift_v(pin) if isnan(value) and pin not in table.power_pins else value
            for pin, value in volts.items()
        }
        mode = table.recognise(settled)
        vpp_v = max((settled[pin] for pin in self.part.vpp_pins), default=0.0)
        return State(mode, _DEEDS.get(mode, Does.NOTHING) if mode else Does.NOTHING, vcc_v, vpp_v)

    # What it then does. Rows are word addresses as they arrive at its own pins.

    def output(self, state: State, rows: Rows) -> Words:
        """Return the words on its data pins in a state that drives them."""
        words = self._inside(state, rows)
        return words if self.faults is None else self.faults.outputs(words)

    def _inside(self, state: State, rows: Rows) -> Words:
        machine = self.machine
        if state.does is Does.IDENTIFY or (machine is not None and machine.identifies):
            return self._signature(rows)
        if machine is not None and machine.busy:
            return machine.status(len(rows))
        return self.cells.read(self.on_die(rows), state.vcc_v)

    def _signature(self, rows: Rows) -> Words:
        """A0 chooses between maker and device; the other address lines do not matter (ours for A1 and up)."""
        signature = self.part.signature
        codes = np.array([signature.maker or 0, signature.device or 0], dtype=np.uint16)
        chosen: Words = codes[rows & np.uint32(1)]
        return chosen

    def pulse(self, state: State, rows: Rows, words: Words, width_s: float) -> None:
        """Take one programming pulse on each row, in order; a row may come twice."""
        if self.part.kind is Kind.MASK_ROM:
            return
        on_die = self.on_die(rows)
        for once in _distinct(on_die):
            self._cells.pulse(on_die[once], words[once], state.vpp_v, width_s)

    def erase_pulse(self, state: State, width_s: float) -> None:
        """Take one pulse of the erase voltage; one that is too low or too short leaves the cells alone."""
        erase, erase_v = self.part.erase, self.part.supplies.erase_v
        if state.does is not Does.ERASE or not erase.pulse_ms or not erase_v:
            return
        if state.vpp_v >= erase_v * _ERASES_FROM and width_s >= erase.pulse_ms / 1000 * _ERASES_FROM:
            self._cells.erase_rows(0, self._cells.words)

    def write(self, state: State, row: int, word: int, now_s: float) -> None:
        """Take one write cycle."""
        if self.machine is not None:
            self.machine.advance(now_s)
            self.machine.write(int(self.on_die(np.array([row], dtype=np.uint32))[0]), word, state.vcc_v)

    def foresee_writes(
        self, state: State, prefix: Sequence[Cycle], rows: Rows, words: Words, now_s: float
    ) -> WordWrites | None:
        """Return what writing each word by the cycles `prefix` and one of its own comes to, from now on.

        None where it is not certain to be the same for each: then only giving the cycles shows what they do.
        """
        machine, on_die = self.machine, self.on_die(rows)
        if machine is None or self.faults or state.does is not Does.WRITE or not _all_differ(on_die):
            return None
        machine.advance(now_s)
        if not machine.writes_after([(row % self.die_words, word) for row, word in prefix], state.vcc_v):
            return None
        return WordWrites(machine, self.cells, on_die, words)

    def program_at_maker(self, content: Words) -> None:
        """Make it a fresh chip with this content, one word for each word of the die."""
        self.cells.programmed(content)

    def expose(self, dose_j_per_cm2: float) -> None:
        """Let light of 253.7 nm fall on the package; without a window nothing happens."""
        if self.has_window:
            self.cells.expose(dose_j_per_cm2)

    def on_die(self, rows: Rows) -> Rows:
        """Return the rows of the die that these word addresses select."""
        decoded = rows if self.faults is None else self.faults.rows(rows)
        return decoded % np.uint32(self.die_words)


def _all_differ(rows: Rows) -> bool:
    """Tell whether no row comes twice; mostly they ascend, which is soon seen."""
    return bool((rows[1:] > rows[:-1]).all()) or len(np.unique(rows)) == len(rows)


def _distinct(rows: Rows) -> list[NDArray[np.intp]]:
    """Split positions so that no row comes twice in one piece and repeats keep their order."""
    if _all_differ(rows):
        return [np.arange(len(rows))]
    turns: dict[int, int] = {}
    turn = np.empty(len(rows), dtype=np.intp)
    for position, row in enumerate(rows.tolist()):
        turn[position] = turns[row] = turns.get(row, -1) + 1
    return [np.flatnonzero(turn == number) for number in range(int(turn.max()) + 1)]
