"""Putting a range together from DATA blocks, whichever of them the line has lost (`SPEC.md` H9)."""

import zlib

from protocol.messages import Read, ReadResult
from protocol.wire import Mode

#: Blocks are numbered in two bytes.
BLOCKS_PER_READ_MAX = 65_535


class ReadAssembly:
    """The bytes of one range of words, low byte of each word first.

    Send what `wanted` names, give the blocks to `add` and the results to `note_result`, and repeat until
    `wanted` is empty. The caller bounds the rounds.
    """

    def __init__(
        self, *, address: int, count: int, word_bytes: int, mode: Mode, vcc_mv: int, block_bytes: int
    ) -> None:
        """`address` and `count` are in words of `word_bytes` (1 or 2); the last block may be shorter.

        Raises ValueError for an empty range or a block that is no whole number of words.
        """
        if count < 1 or block_bytes < word_bytes or block_bytes % word_bytes:
            raise ValueError(f"{count} words of {word_bytes} bytes in blocks of {block_bytes}")
        self._address = address
        self._word_bytes = word_bytes
        self._mode = mode
        self._vcc_mv = vcc_mv
        self._block_bytes = block_bytes
        self._data = bytearray(count * word_bytes)
        self._here = bytearray(-(-len(self._data) // block_bytes))
        self._checks: list[tuple[Read, int]] = []

    @property
    def data(self) -> bytes:
        """What was put together; zeros where blocks are missing."""
        return bytes(self._data)

    @property
    def missing_bytes(self) -> int:
        """How much has not arrived, counted in whole blocks."""
        return min(len(self._data), self._here.count(0) * self._block_bytes)

    def add(self, read: Read, block: int, data: bytes) -> bool:
        """Take one block of a READ that `wanted` named; False if it does not fit there and is left out."""
        index = self._first_block(read) + block
        start = index * self._block_bytes
        fits = 0 <= block < self._blocks(read)
        if not fits or len(data) != min(self._block_bytes, len(self._data) - start):
            return False
        self._data[start : start + len(data)] = data
        self._here[index] = 1
        return True

    def note_result(self, read: Read, result: ReadResult) -> None:
        """Remember the CRC that the device has computed over what it sent for `read`."""
        self._checks.append((read, result.crc))

    def wanted(self) -> list[Read]:
        """Return the READs that are still needed: none when all is here and every CRC agrees.

        A range with a wrong CRC is forgotten whole: nothing says which of its blocks is the wrong one.
        """
        if all(self._here):
            checks, self._checks = self._checks, []
            for read, crc in checks:
                if zlib.crc32(self._range(read)) != crc:
                    first = self._first_block(read)
                    self._here[first : first + self._blocks(read)] = bytes(self._blocks(read))
        return self._missing_runs()

    def _missing_runs(self) -> list[Read]:
        reads: list[Read] = []
        at = self._here.find(0)
        while at >= 0:
            end = self._here.find(1, at, at + BLOCKS_PER_READ_MAX)
            if end < 0:
                end = min(len(self._here), at + BLOCKS_PER_READ_MAX)
            reads.append(self._read(at, end))
            at = self._here.find(0, end)
        return reads

    def _read(self, first: int, end: int) -> Read:
        size = min(end * self._block_bytes, len(self._data)) - first * self._block_bytes
        return Read(
            address=self._address + first * self._block_bytes // self._word_bytes,
            count=size // self._word_bytes,
            mode=self._mode,
            vcc_mv=self._vcc_mv,
            block_bytes=self._block_bytes,
        )

    def _first_block(self, read: Read) -> int:
        return (read.address - self._address) * self._word_bytes // self._block_bytes

    def _blocks(self, read: Read) -> int:
        return -(-read.count * self._word_bytes // self._block_bytes)

    def _range(self, read: Read) -> bytes:
        start = (read.address - self._address) * self._word_bytes
        return bytes(self._data[start : start + read.count * self._word_bytes])
