"""Counts of how often each bit of a chip read 1, by supply; kept in a file when a rescue is broken off."""

import json
import struct
import zlib
from typing import TYPE_CHECKING, Any, Self

from daemon.errors import BenchError, Code

if TYPE_CHECKING:
    from numpy.typing import NDArray

_MAGIC = b"RWT1"
READS_MAX = 250
"""Reads at one supply: a count has to fit into a byte."""


_SUPPLIES_MAX = 16
_NO_COUNTS = (ValueError, KeyError, TypeError, RecursionError, OverflowError, struct.error, zlib.error)


class Tally:
    """Counts for a chip of `size_bytes` at some supplies (mV), lowest first."""

    def __init__(self, part_id: str, size_bytes: int, supplies_mv: tuple[int, ...]) -> None:
        import numpy as np

        self.part_id = part_id
        self.size_bytes = size_bytes
        self.supplies_mv = tuple(sorted(supplies_mv))
        self.reads = [0] * len(self.supplies_mv)
        self.ones: NDArray[np.uint8] = np.zeros((len(self.supplies_mv), size_bytes * 8), np.uint8)

    def add(self, supply: int, data: bytes) -> None:
        """Count one read of the whole chip at a supply, by its place; bit 0 of a byte comes first."""
        import numpy as np

        if len(data) != self.size_bytes:
            raise ValueError(f"a read of {len(data)} bytes of a chip of {self.size_bytes}")
        self.ones[supply] += np.unpackbits(np.frombuffer(data, np.uint8), bitorder="little")
        self.reads[supply] += 1

    @property
    def total_reads(self) -> int:
        """Reads at all supplies together."""
        return sum(self.reads)

    def to_bytes(self) -> bytes:
        """Return the counts as a file."""
        head = json.dumps(
            {
                "part": self.part_id,
                "size_bytes": self.size_bytes,
                "supplies_mv": self.supplies_mv,
                "reads": self.reads,
            }
        ).encode()
        return _MAGIC + struct.pack("<I", len(head)) + head + zlib.compress(self.ones.tobytes(), 1)

    @classmethod
    def from_bytes(cls, data: bytes, part_id: str, size_bytes: int) -> Self:
        """Take up counts that were kept. Raises BenchError `job-request` for what is none of this part."""
        import numpy as np

        try:
            if data[:4] != _MAGIC:
                raise ValueError("not kept by a rescue read")
            length = struct.unpack("<I", data[4:8])[0]
            head = json.loads(data[8 : 8 + length])
            if head["part"] != part_id or head["size_bytes"] != size_bytes:
                raise ValueError(f"kept for {head['part']}")
            supplies_mv, reads = _counted(head)
            tally = cls(part_id, size_bytes, supplies_mv)
            tally.reads = reads
            room = tally.ones.nbytes
            unpacker = zlib.decompressobj()
            counts = unpacker.decompress(data[8 + length :], room)
            tally.ones = np.frombuffer(counts, np.uint8).reshape(tally.ones.shape).copy()
            most = tally.ones.max(axis=1)
            if not all(0 <= n <= READS_MAX and ones <= n for n, ones in zip(reads, most, strict=True)):
                raise ValueError("more ones than reads")
        except _NO_COUNTS as error:
            raise BenchError(
                Code.JOB_REQUEST,
                f"these are no counts of an earlier rescue read of this part: {error}",
                hint="Name what the broken-off rescue read kept, or start anew without.",
                field="image",
            ) from error
        return tally


def _counted(head: dict[str, Any]) -> tuple[tuple[int, ...], list[int]]:
    """Return supplies and reads of kept counts. Raises ValueError for such as no rescue read keeps."""
    supplies_mv, reads = [int(each) for each in head["supplies_mv"]], [int(each) for each in head["reads"]]
    in_order = sorted(set(supplies_mv)) == supplies_mv
    if not in_order or not 1 <= len(supplies_mv) == len(reads) <= _SUPPLIES_MAX:
        raise ValueError("its supplies make no sense")
    return tuple(supplies_mv), reads
