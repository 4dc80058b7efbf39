"""Cyclic redundancy checks of large content, by name or by parameters.

Parameters are as the published catalogues of CRC algorithms give them (Williams' model: width, polynomial,
initial value, reflection in and out, final exclusive-or). The work is done on thousands of lanes at once: the
content is cut into equal lanes, each lane's remainder is worked out byte by byte for all lanes together, and
neighbours are then combined, since the remainder of A followed by B is that of A moved on by B's length,
exclusive-or that of B (a CRC is linear).
"""

import difflib
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Vector = NDArray[np.uint32]

_MAX_LANES = 1 << 14


@dataclass(frozen=True, slots=True)
class Crc:
    """The parameters of one CRC of `width` bits (16 or 32)."""

    width: int
    polynomial: int
    initial: int = 0
    reflect_in: bool = False
    reflect_out: bool = False
    final_xor: int = 0


_ONES_32 = 0xFFFFFFFF
NAMED: Mapping[int, Mapping[str, Crc]] = {
    16: {
        "ARC": Crc(16, 0x8005, 0, True, True),
        "GENIBUS": Crc(16, 0x1021, 0xFFFF, final_xor=0xFFFF),
        "IBM-3740": Crc(16, 0x1021, 0xFFFF),
        "IBM-SDLC": Crc(16, 0x1021, 0xFFFF, True, True, 0xFFFF),
        "KERMIT": Crc(16, 0x1021, 0, True, True),
        "MODBUS": Crc(16, 0x8005, 0xFFFF, True, True),
        "UMTS": Crc(16, 0x8005),
        "USB": Crc(16, 0x8005, 0xFFFF, True, True, 0xFFFF),
        "XMODEM": Crc(16, 0x1021),
    },
    32: {
        "BZIP2": Crc(32, 0x04C11DB7, _ONES_32, final_xor=_ONES_32),
        "CKSUM": Crc(32, 0x04C11DB7, final_xor=_ONES_32),
        "ISCSI": Crc(32, 0x1EDC6F41, _ONES_32, True, True, _ONES_32),
        "ISO-HDLC": Crc(32, 0x04C11DB7, _ONES_32, True, True, _ONES_32),
        "JAMCRC": Crc(32, 0x04C11DB7, _ONES_32, True, True),
        "MPEG-2": Crc(32, 0x04C11DB7, _ONES_32),
    },
}
"""CRCs by width and name. Names and values are the common catalogue's (from memory; tests compare them with
an outside library and with published check values)."""

_ALIASES = {
    "CCITT-FALSE": "IBM-3740",
    "CCITT": "KERMIT",
    "X-25": "IBM-SDLC",
    "ZLIB": "ISO-HDLC",
    "C": "ISCSI",
}


def crc_named(width: int, name: str) -> Crc:
    """Return a CRC by name, `CRC-16/` in front or not, in any case. Raises LookupError with what there is."""
    wanted = name.strip().upper().removeprefix(f"CRC-{width}/").removeprefix(f"CRC-{width}")
    wanted = _ALIASES.get(wanted, wanted)
    known = NAMED[width]
    if wanted in known:
        return known[wanted]
    near = difflib.get_close_matches(wanted[:40], known, n=1, cutoff=0.5)
    meant = f"; did you mean {near[0]}?" if near else ""
    raise LookupError(f'"{name[:40]}" is no CRC-{width} known here ({", ".join(known)}){meant}')


def crc_of(data: bytes, crc: Crc) -> int:
    """Return the CRC of some bytes; 16 MiB take some 0.1 s."""
    if crc == NAMED[32]["ISO-HDLC"]:
        return zlib.crc32(data)
    work = _Work(crc)
    register = work.moved(work.inward(crc.initial), len(data)) ^ work.remainder(data)
    if crc.reflect_in != crc.reflect_out:
        register = _reflected(register, crc.width)
    return register ^ crc.final_xor


class _Work:
    """One CRC's register, bit-reversed where the algorithm is (`reflect_in`)."""

    def __init__(self, crc: Crc) -> None:
        self.width = crc.width
        self.reflects = crc.reflect_in
        self.mask = (1 << crc.width) - 1
        self.polynomial = _reflected(crc.polynomial, crc.width) if crc.reflect_in else crc.polynomial
        self._table = [self._byte(value) for value in range(256)]
        self._by_length: dict[int, list[int]] = {0: [1 << bit for bit in range(crc.width)]}

    def inward(self, value: int) -> int:
        return _reflected(value, self.width) if self.reflects else value

    def _byte(self, value: int) -> int:
        if self.reflects:
            for _ in range(8):
                value = value >> 1 ^ (self.polynomial if value & 1 else 0)
            return value
        top = 1 << (self.width - 1)
        value <<= self.width - 8
        for _ in range(8):
            value = (value << 1 ^ (self.polynomial if value & top else 0)) & self.mask
        return value

    # Moving a register on, as if zero bytes came: a linear map, kept as what becomes of each single bit.

    def _one_byte(self, register: int) -> int:
        if self.reflects:
            return register >> 8 ^ self._table[register & 0xFF]
        return (register << 8 & self.mask) ^ self._table[register >> (self.width - 8)]

    def _zeros(self, length: int) -> list[int]:
        """Return what each bit of the register becomes after `length` zero bytes."""
        if length not in self._by_length:
            if length == 1:
                columns = [self._one_byte(1 << bit) for bit in range(self.width)]
            else:
                half = self._zeros(length // 2)
                columns = [_mapped(half, column) for column in half]
                if length % 2:
                    columns = [self._one_byte(column) for column in columns]
            self._by_length[length] = columns
        return self._by_length[length]

    def moved(self, register: int, length: int) -> int:
        return _mapped(self._zeros(length), register)

    def remainder(self, data: bytes) -> int:
        """Return the register after `data`, begun at zero."""
        import numpy as np

        lanes = 1
        while lanes < _MAX_LANES and lanes * lanes < len(data):
            lanes *= 2
        length = -(-len(data) // lanes)
        # Zero bytes in front leave a zero register as it is, so the lanes can be made equal.
        padded = np.zeros(lanes * length, dtype=np.uint8)
        padded[len(padded) - len(data) :] = np.frombuffer(data, dtype=np.uint8)
        columns = np.ascontiguousarray(padded.reshape(lanes, length).T)
        registers = self._run(columns, lanes)
        while len(registers) > 1:
            before, after = registers[::2], registers[1::2]
            registers = self._moved_all(before, length) ^ after
            length *= 2
        return int(registers[0])

    def _run(self, columns: "NDArray[np.uint8]", lanes: int) -> "Vector":
        import numpy as np

        table = np.array(self._table, dtype=np.uint32)
        register = np.zeros(lanes, dtype=np.uint32)
        eight, low = np.uint32(8), np.uint32(0xFF)
        if self.reflects:
            for column in columns:
                register = register >> eight ^ table[register & low ^ column]
            return register
        top, mask = np.uint32(self.width - 8), np.uint32(self.mask)
        for column in columns:
            register = register << eight & mask ^ table[register >> top ^ column]
        return register

    def _moved_all(self, registers: "Vector", length: int) -> "Vector":
        import numpy as np

        result = np.zeros_like(registers)
        for bit, column in enumerate(self._zeros(length)):
            result ^= (registers >> np.uint32(bit) & np.uint32(1)) * np.uint32(column)
        return result


def _mapped(columns: list[int], register: int) -> int:
    result = 0
    for bit, column in enumerate(columns):
        if register >> bit & 1:
            result ^= column
    return result


def _reflected(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)
