"""What the programmer's pins do to whatever is in the socket, a block of words at a time.

The programmer knows the part descriptor; the chip knows nothing of it and sees only voltages on its own
pins. So a wrong part, a shifted or turned chip and a bad contact do here what they do on a bench: address
lines alias, data bits float, high voltages land where they should not.

Where nothing drives a wire (ours, in the spirit of what a bench shows):

* An open address input drifts to a level that the chip's seed decides and is disturbed in one word of ten.
* An open data input takes a 1, so that bit is not programmed; an open control input drifts like an address.
* A data pin of the programmer that nothing drives keeps what was driven on it last for the next look only
  (its capacitance); after that weak pull-ups have it at 1. So an empty socket looks blank, and would echo a
  word that is read right after it was written; a sound programmer therefore drives the complement in between
  (`SPEC.md` section 8), and so does this one unless it is made `careless`.
* Wires that touch are wired-and; a supply wins over logic drivers, and ground over all.
* An intermittent contact (`flicker`) is open for runs of words, with the levels that open pins have.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from protocol.descriptor import PartDescriptor
from protocol.wire import Mode
from simulator.chip import scatter
from simulator.chip.chip import Chip, Does, State
from simulator.chip.word_writes import WordWrites
from simulator.flicker import flickering
from simulator.nets import DATA_SHIFT, Feed, lines_of, live_supplies
from simulator.rails import Rails
from simulator.socket import Socket
from simulator.wiring import OUTPUT_BITS, Wiring, supply_loads

Addresses = NDArray[np.uint32]
Words = NDArray[np.uint16]
Where = slice | NDArray[np.intp]

_BATCH_WORDS = 1 << 16
#: How often a drifting address input is disturbed.
_DISTURBED = 0.1
_NOISE_STREAM = 300
#: Between two write cycles of a page load (ours: a fast programmer).
_LOAD_GAP_S = 1e-6
_STATES_KEPT = 512
#: With so many pins whose level changes from word to word their levels are counted: few enough for a table.
_COUNTED_PINS = 8

#: Supply currents in mA, VCC and VPP (from memory: CMOS parts draw 30 mA selected and 1 mA or less not;
#: both supplies give up to 50 and 30 mA while programming). A destroyed chip is a low resistance.
_DRAW = {
    Does.NOTHING: (1.0, 0.1),
    Does.OUTPUT: (30.0, 0.1),
    Does.IDENTIFY: (30.0, 0.1),
    Does.PROGRAM: (50.0, 30.0),
    Does.ERASE: (50.0, 30.0),
    Does.WRITE: (30.0, 0.1),
}
_DESTROYED_OHM = 12.0


@dataclass(frozen=True, slots=True)
class _Pulse:
    """One call of `pulse` as it reached the chip, with the thresholds before it."""

    addresses: Addresses
    rows: Addresses
    words: Words
    state: State
    width_s: float
    before: Words


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The state of a block's words at one time; what has pulsed them since is kept with it."""

    addresses: Addresses
    chip: Chip | None
    pulses: list[_Pulse] = field(default_factory=list)


class Bus:
    """One programmer's pins, set up for one part, at one socket.

    Every method that takes a mode raises LookupError when the descriptor has no such mode. Results repeat
    with the seeds of the chip and the order of calls.
    """

    def __init__(self, descriptor: PartDescriptor, socket: Socket, *, careless: bool = False) -> None:
        self.descriptor = descriptor
        self.socket = socket
        self._revision = -1
        self._wirings: dict[tuple[Mode, bool, frozenset[Feed]], Wiring] = {}
        self._states: dict[tuple[Mode, bool, Rails, int], State] = {}
        self._drawn: dict[tuple[Mode, Rails], tuple[float, float]] = {}
        self._held: tuple[Addresses | int, Words | int] | None = None
        self._careless = careless
        self._snapshot: Snapshot | None = None
        self._rails = self._write_rails = Rails()
        self._live = live_supplies(self._rails)
        self._noise = np.random.default_rng(
            scatter.mix(socket.chip.seed if socket.chip else 0, _NOISE_STREAM)
        )

    # Looking

    def read(self, mode: Mode, addresses: Addresses, rails: Rails, now_s: float | None = None) -> Words:
        """Return the words sensed on the data pins at these addresses in this mode.

        A part that times its own writes is taken to have been waited for, unless `now_s` says what time it
        is: a busy part then shows its status bits.
        """
        wiring = self._wiring(mode, False, rails)
        if wiring.chip is not None and (machine := wiring.chip.machine) is not None:
            machine.advance(machine.busy_until_s if now_s is None else now_s)
        held = self._take_held(addresses)
        result = np.empty(len(addresses), dtype=np.uint16)
        for first in range(0, len(addresses), _BATCH_WORDS):
            batch = slice(first, first + _BATCH_WORDS)
            result[batch] = self._sense((mode, False), wiring, addresses[batch], rails, held[batch])
        return result

    def _hold(self, addresses: Addresses | int, words: Words | int) -> None:
        """Leave words on the data pins for a read of the same addresses, the last one for any other read."""
        self._held = (addresses, words)

    def _take_held(self, addresses: Addresses) -> Words:
        held = np.full(len(addresses), 0xFFFF, dtype=np.uint16)
        if self._held is not None and len(held):
            places = np.atleast_1d(np.asarray(self._held[0], dtype=np.uint32))
            words = np.atleast_1d(np.asarray(self._held[1], dtype=np.uint16))
            words = words if self._careless else ~words
            if np.array_equal(places, addresses):
                held[:] = words
            elif len(words):
                held[0] = words[-1]
        self._held = None
        return held

    def _sense(
        self, key: tuple[Mode, bool], wiring: Wiring, addresses: Addresses, rails: Rails, held: Words
    ) -> NDArray[np.uint64]:
        sensing, chip = wiring.sensing, wiring.chip
        lines = lines_of(addresses)
        source = (
            lines << np.uint64(OUTPUT_BITS) if sensing.needs_lines else np.zeros(len(lines), dtype=np.uint64)
        )
        if chip is None:
            return sensing.idle.apply(source) | held & np.uint16(sensing.idle_floating)
        result = np.empty(len(lines), dtype=np.uint64)
        rows = self._rows(wiring, lines)
        for state, where in self._groups(key, wiring, rails, lines):
            if state.drives:
                outputs = source[where] | chip.output(state, rows[where])
                result[where] = sensing.outputs.apply(outputs) | held[where] & np.uint16(sensing.floating)
            else:
                result[where] = sensing.idle.apply(source[where]) | held[where] & np.uint16(
                    sensing.idle_floating
                )
        flickering(result, wiring.flicker_sensed, self._noise)
        return result

    # Pulses

    def pulse(self, addresses: Addresses, words: Words, rails: Rails, width_s: float) -> None:
        """Give one pulse in mode PROGRAM at each address, with a word driven on the data pins."""
        key = (Mode.PROGRAM, True)
        wiring = self._wiring(*key, rails)
        self._hold(addresses.copy(), words.copy())
        chip = wiring.chip
        if chip is None:
            return
        lines = lines_of(addresses, words)
        rows = self._rows(wiring, lines)
        taken = wiring.words.apply(lines) | np.uint64(wiring.open_words)
        flickering(taken, wiring.flicker_words, self._noise)
        received = taken.astype(np.uint16)
        for state, where in self._groups(key, wiring, rails, lines):
            if state.does is Does.PROGRAM:
                self._record(chip, addresses[where], rows[where], received[where], state, width_s)
                chip.pulse(state, rows[where], received[where], width_s)

    def erase_pulse(self, rails: Rails, width_s: float) -> None:
        """Give one pulse in mode ERASE."""
        key = (Mode.ERASE, True)
        wiring = self._wiring(*key, rails)
        if wiring.chip is None:
            return
        lines = lines_of(np.zeros(1, dtype=np.uint32), np.zeros(1, dtype=np.uint16))
        for state, _ in self._groups(key, wiring, rails, lines):
            wiring.chip.erase_pulse(state, width_s)

    def _record(
        self, chip: Chip, addresses: Addresses, rows: Addresses, words: Words, state: State, width_s: float
    ) -> None:
        snapshot = self._snapshot
        if snapshot is not None and chip is snapshot.chip and np.isin(addresses, snapshot.addresses).any():
            before = chip.cells.thresholds_mv(chip.on_die(rows))
            snapshot.pulses.append(_Pulse(addresses, rows, words, state, width_s, before))

    def snapshot(self, addresses: Addresses) -> Snapshot:
        """Start to remember what pulses do at these addresses; ends with the next snapshot."""
        self._snapshot = Snapshot(addresses.copy(), self.socket.chip)
        return self._snapshot

    def restore(self, snapshot: object, from_index: int) -> None:
        """Undo the pulses since the snapshot, but for those at the first `from_index` of its addresses.

        The other words are then as they were at the snapshot, to the millivolt, and the first ones as if
        only they had been pulsed.
        """
        if not isinstance(snapshot, Snapshot):
            raise TypeError("this is no snapshot of a bus")
        chip, pulses = snapshot.chip, list(snapshot.pulses)
        snapshot.pulses.clear()
        if chip is None:
            return
        for pulse in reversed(pulses):
            chip.cells.put_thresholds_mv(chip.on_die(pulse.rows), pulse.before)
        reached = snapshot.addresses[:from_index]
        for pulse in pulses:
            kept = np.isin(pulse.addresses, reached) | ~np.isin(pulse.addresses, snapshot.addresses)
            chip.pulse(pulse.state, pulse.rows[kept], pulse.words[kept], pulse.width_s)

    # Write cycles

    def write(self, address: int, word: int, rails: Rails, now_s: float) -> None:
        """Give one write cycle in mode WRITE at time `now_s`, which must not go back."""
        key = (Mode.WRITE, True)
        wiring = self._wiring(*key, rails)
        self._write_rails = rails
        self._hold(address, word)
        if (chip := wiring.chip) is None:
            return
        lines = address | word << DATA_SHIFT
        state = self._state(key, wiring, rails, wiring.varying_bits.apply_one(lines))
        if state.does is Does.WRITE:
            row = wiring.rows.apply_one(lines)
            if wiring.open_rows:
                row = int(self._rows(wiring, np.array([lines], dtype=np.uint64))[0])
            chip.write(state, row, wiring.words.apply_one(lines) | wiring.open_words, now_s)

    def write_page(self, addresses: Addresses, words: Words, rails: Rails, now_s: float) -> None:
        """Load a page: consecutive write cycles from `now_s` on."""
        key = (Mode.WRITE, True)
        wiring = self._wiring(*key, rails)
        self._write_rails = rails
        if (chip := wiring.chip) is not None and (wiring.varying or wiring.open_rows):
            for index, (address, word) in enumerate(zip(addresses.tolist(), words.tolist(), strict=True)):
                self.write(address, word, rails, now_s + index * _LOAD_GAP_S)
        elif chip is not None and (state := self._state(key, wiring, rails, 0)).does is Does.WRITE:
            lines = lines_of(addresses, words)
            rows = wiring.rows.apply(lines)
            received = wiring.words.apply(lines) | np.uint64(wiring.open_words)
            for index, (row, word) in enumerate(zip(rows.tolist(), received.tolist(), strict=True)):
                chip.write(state, row, word, now_s + index * _LOAD_GAP_S)
        self._hold(addresses.copy(), words.copy())

    def foresee_writes(
        self,
        prefix: Sequence[tuple[int, int]],
        addresses: Addresses,
        words: Words,
        rails: tuple[Rails, Rails],
        now_s: float,
    ) -> WordWrites | None:
        """Return what writing each word by the cycles `prefix` and one of its own comes to, from now on.

        `rails` are those in modes WRITE and READ. None where a cycle need not do what the one before did, or
        a word not be read where it was written: wires that float, levels that change with the address, rows
        that meet, a chip that does something else. Then only giving the cycles shows what they do.
        """
        keys = ((Mode.WRITE, True), (Mode.READ, False))
        writing, reading = (self._wiring(*key, on) for key, on in zip(keys, rails, strict=True))
        chip = writing.chip
        if chip is None or writing.open_words or reading.sensing.floating:
            return None
        if self.socket.intermittent or any(each.varying or each.open_rows for each in (writing, reading)):
            return None
        writes, reads = (
            self._state(key, wiring, on, 0)
            for key, wiring, on in zip(keys, (writing, reading), rails, strict=True)
        )
        lines = lines_of(addresses, words)
        rows = self._rows(writing, lines)
        if reads.does is not Does.OUTPUT or (rows != self._rows(reading, lines_of(addresses))).any():
            return None
        ahead = [address | word << DATA_SHIFT for address, word in prefix]
        cycles = [(writing.rows.apply_one(line), writing.words.apply_one(line)) for line in ahead]
        received = writing.words.apply(lines).astype(np.uint16)
        return chip.foresee_writes(writes, cycles, rows, received, now_s)

    def busy(self, now_s: float) -> bool:
        """Tell what polling in mode READ finds at time `now_s`: a chip that shows it is still working."""
        chip = self.socket.chip
        if chip is None or chip.machine is None:
            return False
        chip.machine.advance(now_s)
        key = (Mode.READ, False)
        return (
            chip.machine.busy
            and self._state(key, self._wiring(*key, self._write_rails), self._write_rails, 0).drives
        )

    def busy_until_s(self) -> float:
        """Return when the chip will be done with what it has; 0.0 for one that times nothing itself."""
        chip = self.socket.chip
        return chip.machine.busy_until_s if chip is not None and chip.machine is not None else 0.0

    # Supplies

    def currents_ma(self, mode: Mode, rails: Rails) -> tuple[float, float]:
        """Return what VCC and VPP draw while these supplies stand in this mode.

        A turned or shorted chip draws amperes. Putting too high a voltage on a pin destroys the chip here,
        too.
        """
        wiring = self._wiring(mode, False, rails)
        known = (mode, rails)
        if (drawn := self._drawn.get(known)) is not None and not (wiring.chip and wiring.chip.damage):
            return drawn
        if len(self._drawn) >= _STATES_KEPT:
            self._drawn.clear()
        drawn = self._drawn[known] = self._draw(mode, wiring, rails)
        return drawn

    def _draw(self, mode: Mode, wiring: Wiring, rails: Rails) -> tuple[float, float]:
        if wiring.chip is None:
            return supply_loads(wiring, rails, {})
        state = self._state((mode, False), wiring, rails, 0)
        vcc_ma, vpp_ma = supply_loads(wiring, rails, wiring.volts(rails, 0))
        if wiring.chip.damage is not None:
            return vcc_ma + 1000 * state.vcc_v / _DESTROYED_OHM, vpp_ma
        draw = _DRAW[state.does]
        return vcc_ma + (draw[0] if state.vcc_v else 0.0), vpp_ma + (draw[1] if rails.vpp_v else 0.0)

    # Inside

    def _wiring(self, mode: Mode, data: bool, rails: Rails) -> Wiring:
        if self._revision != self.socket.revision:
            self._revision = self.socket.revision
            self._wirings.clear()
            self._states.clear()
            self._drawn.clear()
        if rails is not self._rails:
            self._rails, self._live = rails, live_supplies(rails)
        key = (mode, data, self._live)
        if (wiring := self._wirings.get(key)) is None:
            wiring = self._wirings[key] = Wiring(self.descriptor, self.socket, mode, data, self._live)
        return wiring

    def _state(self, key: tuple[Mode, bool], wiring: Wiring, rails: Rails, varying_high: int) -> State:
        assert wiring.chip is not None
        known = (*key, rails, varying_high)
        if wiring.chip.damage is None and (state := self._states.get(known)) is not None:
            return state
        if len(self._states) >= _STATES_KEPT:
            self._states.clear()
        state = self._states[known] = wiring.chip.feel(wiring.volts(rails, varying_high))
        return state

    def _groups(
        self, key: tuple[Mode, bool], wiring: Wiring, rails: Rails, lines: NDArray[np.uint64]
    ) -> Iterator[tuple[State, Where]]:
        """Yield the states that the chip goes through over these words, each with the places of its words."""
        if not wiring.varying:
            yield self._state(key, wiring, rails, 0), slice(None)
            return
        highs = wiring.varying_bits.apply(lines)
        # Mostly a pin or two, such as A9, which may get the ID voltage: to count is faster than to sort.
        few = len(wiring.varying) <= _COUNTED_PINS
        found = np.flatnonzero(np.bincount(highs.astype(np.intp))) if few else np.unique(highs)
        states = [self._state(key, wiring, rails, int(high)) for high in found]
        for state in dict.fromkeys(states):
            members = [high for high, other in zip(found, states, strict=True) if other == state]
            everywhere = len(members) == len(states)
            yield state, slice(None) if everywhere else np.flatnonzero(np.isin(highs, members))

    def _rows(self, wiring: Wiring, lines: NDArray[np.uint64]) -> Addresses:
        """Return the word addresses that arrive at the chip."""
        arriving = wiring.rows.apply(lines)
        flickering(arriving, wiring.flicker_rows, self._noise)
        rows = arriving.astype(np.uint32)
        for bit in range(wiring.open_rows.bit_length()):
            if wiring.open_rows >> bit & 1:
                level = np.uint32(wiring.open_row_levels >> bit & 1)
                disturbed = self._noise.random(len(rows)) < _DISTURBED
                rows |= (level ^ disturbed.astype(np.uint32)) << np.uint32(bit)
        return rows
