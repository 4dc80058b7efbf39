"""A board that runs: its chips are read over its buses at its speed, and the makers' file comes out again.

This judges plans of boards. It shares no code with what makes them: it starts from a wiring (`board_wiring`)
and from chips, and finds out from voltages on their pins what they do, as a board does. A chip that is too
slow has not changed all its outputs yet when the bus takes them; two chips on one line pull it low; a line
that nothing drives reads 1 (pull-ups, ours).
"""

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from simulator.board_wiring import BoardSocket, BoardWiring, Bus, ByteOrder, is_line, line_of
from simulator.chip import scatter
from simulator.chip.chip import Chip, Does
from simulator.socket import Placement, Socket

Addresses = NDArray[np.uint32]
Words = NDArray[np.uint16]

_LOGIC_HIGH_V = 5.0
_INPUT_HIGH_V = 2.0
_SETTLE_STREAM = 400
#: The first output of a chip changes at this share of its access time, the last at the whole of it (ours).
_FIRST_OUTPUT = 0.8


class PlayedBoard:
    """A board with chips in its sockets. `faults` gathers, once each, what went wrong while it was read."""

    def __init__(
        self,
        wiring: BoardWiring,
        chips: Mapping[str, Chip],
        placements: Mapping[str, Placement] | None = None,
    ) -> None:
        """Put chips, by label, in their sockets. Raises LookupError for a label the board does not have."""
        self.wiring = wiring
        self.faults: list[str] = []
        labels = {socket.label for socket in wiring.sockets}
        if unknown := sorted(set(chips) - labels):
            raise LookupError(f"{wiring.name} has no socket {unknown[0]}")
        self._seats = [
            _Seat(
                socket,
                wiring.buses[socket.bus],
                chips[socket.label],
                wiring.vcc_v,
                (placements or {}).get(socket.label, Placement()),
            )
            for socket in wiring.sockets
            if socket.label in chips
        ]

    def rebuild(self) -> bytes:
        """Read everything that makes up the makers' file, in its order."""
        return b"".join(self.read(each.bus, each.first, each.last) for each in self.wiring.image)

    def read(self, bus_name: str, first: int, last: int) -> bytes:
        """Read byte addresses `first` to `last` of a bus, one word after another."""
        bus = self.wiring.buses[bus_name]
        addresses = np.arange(first, last + 1, bus.word_bytes, dtype=np.uint32)
        mask = (1 << bus.data_lines) - 1
        words = np.full(len(addresses), mask, dtype=np.uint16)
        driven = np.zeros(len(addresses), dtype=np.uint16)
        for seat in self._seats:
            if seat.bus is not bus:
                continue
            where = np.flatnonzero(seat.selected(addresses))
            if not len(where):
                continue
            out, drives = seat.look(addresses[where])
            both = driven[where] & drives
            if ((words[where] ^ out) & both).any():
                self._fault(f"{seat.label} and another chip drive the same lines of bus {bus.name}")
            words[where] &= out | ~drives
            driven[where] |= drives
            for fault in seat.faults:
                self._fault(fault)
        if (driven != mask).any():
            at = int(addresses[np.flatnonzero(driven != mask)[0]])
            self._fault(f"nothing drives all lines of bus {bus.name} at {at:#x}")
        return _as_bytes(words, bus)

    def _fault(self, words: str) -> None:
        if words not in self.faults:
            self.faults.append(words)


def _as_bytes(words: Words, bus: Bus) -> bytes:
    if bus.data_lines == 8:
        return words.astype(np.uint8).tobytes()
    return words.astype(">u2" if bus.byte_order is ByteOrder.BIG else "<u2").tobytes()


class _Seat:
    """One chip in its socket."""

    def __init__(self, socket: BoardSocket, bus: Bus, chip: Chip, vcc_v: float, placement: Placement) -> None:
        self.label = socket.label
        self.bus = bus
        self._socket = socket
        self._chip = chip
        self._vcc_v = vcc_v
        self.faults: list[str] = []
        contacts = Socket(len(socket.pins), chip, placement=placement).contacts()
        pins = range(1, len(chip.part.pins) + 1)
        self._nets = {pin: socket.pins[contacts[pin] - 1] if pin in contacts else "OPEN" for pin in pins}
        decided = (*chip.table.control_pins, *chip.table.power_pins)
        self._varying = [pin for pin in decided if is_line(self._nets[pin], "A")]

    def selected(self, addresses: Addresses) -> NDArray[np.bool_]:
        """Tell for which addresses the decoder selects this socket."""
        return np.asarray((addresses & np.uint32(self._socket.mask)) == self._socket.match, dtype=np.bool_)

    def look(self, addresses: Addresses) -> tuple[Words, Words]:
        """Return what the chip puts on the bus lines at these addresses, and which lines it drives."""
        rows = self._rows(addresses)
        chip_words = np.full(len(addresses), 0xFFFF, dtype=np.uint16)
        drives = np.zeros(len(addresses), dtype=np.uint16)
        lines = self._bus_lines()
        for volts, where in self._situations(addresses):
            state = self._chip.feel(volts)
            if self._chip.damage is not None:
                self._note(f"{self.label} is destroyed: {self._chip.damage}")
            if state.does is Does.WRITE:
                self._note(f"{self.label} takes a read for a write at {int(addresses[where][0]):#x}")
            if state.drives:
                chip_words[where] = self._chip.output(state, rows[where])
                drives[where] = sum(1 << line for line in lines.values())
        if not drives.any():
            self._note(f"{self.label} is selected and gives no data")
        return _rewired(self._late(chip_words), lines), drives

    def _note(self, words: str) -> None:
        if words not in self.faults:
            self.faults.append(words)

    # Pins

    def _level(self, net: str) -> float:
        """Return the voltage of a net that does not change while this socket is read."""
        if net == "VCC":
            return self._vcc_v
        if net == "OPEN" or is_line(net, "D"):
            return float("nan")
        return _LOGIC_HIGH_V if net in ("HIGH", "SEL", "RD", "/WR") else 0.0

    def _situations(self, addresses: Addresses) -> Iterator[tuple[dict[int, float], NDArray[np.intp]]]:
        """Yield the voltages that the chip meets, each with the places of the addresses that make them.

        Only address lines on pins that decide what the chip does make a difference.
        """
        fixed = {pin: self._level(net) for pin, net in self._nets.items() if not is_line(net, "A")}
        fixed |= {pin: 0.0 for pin, net in self._nets.items() if is_line(net, "A")}
        key = np.zeros(len(addresses), dtype=np.uint32)
        for index, pin in enumerate(self._varying):
            key |= (addresses >> np.uint32(line_of(self._nets[pin])) & np.uint32(1)) << np.uint32(index)
        for value in np.unique(key).tolist():
            high = {pin: _LOGIC_HIGH_V for index, pin in enumerate(self._varying) if value >> index & 1}
            yield fixed | high, np.flatnonzero(key == value)

    def _rows(self, addresses: Addresses) -> Addresses:
        """Return the word addresses that arrive at the chip's address pins."""
        rows = np.zeros(len(addresses), dtype=np.uint32)
        for bit, pin in enumerate(self._chip.part.address_pins):
            net = self._nets[pin]
            if is_line(net, "A"):
                rows |= (addresses >> np.uint32(line_of(net)) & np.uint32(1)) << np.uint32(bit)
                continue
            level = self._level(net)
            volts = self._chip.drift_v(pin) if np.isnan(level) else level
            rows |= np.uint32((volts >= _INPUT_HIGH_V) << bit)
        return rows

    def _bus_lines(self) -> dict[int, int]:
        """Return chip data bit -> bus data line."""
        nets = {bit: self._nets[pin] for bit, pin in enumerate(self._chip.part.data_pins)}
        return {bit: line_of(net) for bit, net in nets.items() if is_line(net, "D")}

    # Time

    def _late(self, words: Words) -> Words:
        """Return the words as the bus takes them: outputs that are late still show the word before."""
        chip = self._chip
        left_ns = self.bus.access_ns - self._socket.select_ns
        if chip.access_ns <= left_ns:
            return words
        late = 0
        for bit in range(chip.part.width_bits):
            share = scatter.mix(chip.seed, _SETTLE_STREAM + bit) / 0xFFFF_FFFF
            settles_ns = chip.access_ns * (_FIRST_OUTPUT + (1 - _FIRST_OUTPUT) * share)
            late |= (settles_ns > left_ns) << bit
        before = np.concatenate([np.full(1, 0xFFFF, dtype=np.uint16), words[:-1]])
        if late:
            times = f"it needs {chip.access_ns:.0f} ns, the board waits {left_ns:.0f} ns"
            self._note(f"{self.label} is too slow: {times}")
        return np.asarray((words & np.uint16(0xFFFF & ~late)) | (before & np.uint16(late)), dtype=np.uint16)


def _rewired(words: Words, lines: Mapping[int, int]) -> Words:
    """Move each chip data bit to its bus line; lines that the chip is not on stay 1."""
    moved = np.full(len(words), 0xFFFF, dtype=np.uint16)
    for bit, line in lines.items():
        level = words >> np.uint16(bit) & np.uint16(1)
        moved &= np.uint16(0xFFFF & ~(1 << line)) | level << np.uint16(line)
    return moved
