"""What was really the case, noted where it happened: pulses at cells, switches, frames at the port.

Nothing here asks the host, the device's link or the board's program. The cells, the supplies' switches and
the bytes at the port are looked at, with a frame reader of its own.
"""

import math
import zlib
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

from cobs import cobs

from daemon.clock import ManualClock
from daemon.transport.memory import Peer
from simulator.chip.chip import Chip
from simulator.programmer.programmer import VirtualProgrammer
from simulator.supplies import SupplyName

_HEADER_BYTES, _CRC_BYTES = 3, 4
_CONTROL, _REQUEST, _REPLY, _HELLO = 0, 1, 7, 1


class CellLedger:
    """Every pulse and every write that each word of one chip got, since `clear`.

    The simulator pulses ahead of time and takes back what time did not reach; what is taken back is crossed
    out here, too.
    """

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self.pulses: dict[int, list[float]] = defaultdict(list)
        self.writes: dict[int, int] = defaultdict(int)
        cells = chip.cells
        pulse, store, put_back = cells.pulse, cells.store, cells.put_thresholds_mv

        def noted_pulse(rows: Any, words: Any, vpp_v: float, width_s: float) -> None:
            for row in rows.tolist():
                self.pulses[row].append(width_s)
            pulse(rows, words, vpp_v, width_s)

        def noted_store(rows: Any, words: Any) -> None:
            for row in rows.tolist():
                self.writes[row] += 1
            store(rows, words)

        def noted_put_back(rows: Any, thresholds: Any) -> None:
            for row in rows.tolist():
                if self.pulses[row]:
                    self.pulses[row].pop()
                elif self.writes[row]:
                    self.writes[row] -= 1
            put_back(rows, thresholds)

        cells.pulse, cells.store, cells.put_thresholds_mv = noted_pulse, noted_store, noted_put_back

    def clear(self) -> None:
        """Begin anew, as with a new attempt."""
        self.pulses.clear()
        self.writes.clear()


def cells_of(chip: Chip, vcc_v: float) -> bytes:
    """Return what the cells hold at a supply: a threshold below it is the erased state. Low byte first."""
    thresholds = chip.cells.thresholds_mv(_all_rows(chip))
    bits = thresholds < round(vcc_v * 1000)
    value = sum(bits[:, bit].astype("u4") << bit for bit in range(bits.shape[1]))
    if chip.part.blank_byte == 0:
        value ^= (1 << bits.shape[1]) - 1
    return value.astype("<u2" if bits.shape[1] == 16 else "u1").tobytes()


def _all_rows(chip: Chip) -> Any:
    import numpy as np

    return np.arange(chip.part.words, dtype=np.uint32)


@dataclass(frozen=True, slots=True)
class Stretch:
    """A time during which a supply was on or not yet discharged. `end_s` is infinite while it is."""

    supply: str
    begin_s: float
    end_s: float


@dataclass
class SupplyLog:
    """When each supply's switch was closed and opened, and how high it stood."""

    clock: ManualClock
    #: Time, supply, what was asked for (mV).
    switched: list[tuple[float, str, int]] = field(default_factory=list)
    _fall_s: dict[str, float] = field(default_factory=dict)

    def watch(self, board: VirtualProgrammer) -> None:
        """Note what happens to the supplies of a board from now on."""
        for name in SupplyName:
            supply = board.supplies.named(name)
            self._fall_s[name.name] = supply.design.fall_s
            self._wrap(supply, name.name)

    def _wrap(self, supply: Any, name: str) -> None:
        set_mv = supply.set_mv

        def noted(value_mv: int, now_s: float) -> None:
            self.switched.append((now_s, name, value_mv))
            set_mv(value_mv, now_s)

        supply.set_mv = noted

    def stretches(self, since_s: float = -math.inf) -> list[Stretch]:
        """Return when each supply was above half a volt, from its switch alone (SPEC.md D27).

        A supply that is opened falls as a capacitor does through its bleeder: v = v0 exp(-t / tau).
        """
        found: list[Stretch] = []
        for name, fall_s in self._fall_s.items():
            begun_s: float | None = None
            highest_mv = 0
            for at_s, supply, value_mv in self.switched:
                if supply != name:
                    continue
                if value_mv:
                    begun_s = at_s if begun_s is None else begun_s
                    highest_mv = max(highest_mv, value_mv)
                elif begun_s is not None:
                    found.append(Stretch(name, begun_s, at_s + fall_s * math.log(highest_mv / 500)))
                    begun_s, highest_mv = None, 0
            if begun_s is not None:
                found.append(Stretch(name, begun_s, math.inf))
        return [stretch for stretch in found if stretch.end_s >= since_s]


@dataclass
class PortTap:
    """Sits at the board's port: passes everything on and notes when a sound frame of its session came in."""

    board: VirtualProgrammer
    #: When sound frames of the board's present session, or a HELLO, arrived.
    heard_s: list[float] = field(default_factory=list)
    session: int = 0
    _in: bytearray = field(default_factory=bytearray)
    _out: bytearray = field(default_factory=bytearray)

    def receive(self, data: bytes, now_s: float) -> None:
        for body in _bodies(self._in, data):
            kind, session = body[0] >> 5, int.from_bytes(body[1:3], "little")
            hello = kind == _CONTROL and session == 0 and body[_HEADER_BYTES] == _HELLO
            if hello or (kind in (_CONTROL, _REQUEST) and session == self.session):
                self.heard_s.append(now_s)
        self.board.receive(data, now_s)

    def take_output(self, now_s: float) -> bytes:
        output = self.board.take_output(now_s)
        for body in _bodies(self._out, output):
            if body[0] >> 5 == _REPLY and body[_HEADER_BYTES] == _HELLO:
                self.session = int.from_bytes(body[1:3], "little")
        return output

    def next_deadline_s(self) -> float | None:
        return self.board.next_deadline_s()


def tap(board: VirtualProgrammer) -> PortTap:
    """Return a tap at a board's port."""
    tapped: Peer = PortTap(board)
    assert isinstance(tapped, PortTap)
    return tapped


def _bodies(held: bytearray, data: bytes) -> list[bytes]:
    """Return the bodies of the sound frames that these bytes complete, as SPEC.md section 2 has them."""
    held += data
    *whole, rest = bytes(held).split(b"\0")
    held[:] = rest
    bodies = []
    for block in whole:
        try:
            body = cobs.decode(block) if block else b""
        except cobs.DecodeError:
            continue
        if (
            len(body) > _HEADER_BYTES + _CRC_BYTES
            and zlib.crc32(body[:-4]).to_bytes(4, "little") == body[-4:]
        ):
            bodies.append(body[:-4])
    return bodies
