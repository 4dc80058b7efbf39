"""Finding out how a board connects address and data lines, from a known file and a read of a working chip.

Each line leaves a fingerprint that reordering does not change: how often a data line is 1, how often it is 1
while an address line is 1, how often two data lines are 1 together. Lines are told apart by refining these
fingerprints, as in colour refinement of a graph; where that leaves a choice, candidates are tried, and what
comes out is compared with the chip in full. Lines that the content cannot tell apart are reported as such.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.errors import BenchError, Code
from daemon.images.fixes import permute_bits
from daemon.images.moves import reorder_addresses

_TRIES_MAX = 4000
_SAMPLES = 4096

_MARK = 1

_Colours = tuple[int, ...]
_Coloured = tuple[_Colours, _Colours]
"""A colour for each address line, and for each data line."""


@dataclass(frozen=True, slots=True)
class LineOrder:
    """A way to connect lines: chip line i is on board line `address[i]`, chip data line i on `data[i]`."""

    address: tuple[int, ...]
    data: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class LineFinding:
    """What was found.

    `count` orders make the chip from the file; `orders` are one of them, and as many more as it takes to see
    on which lines they disagree. With `searched_all` false the search was given up, and there may be more.
    """

    orders: tuple[LineOrder, ...]
    count: int
    searched_all: bool

    @property
    def ambiguous(self) -> bool:
        """Tell whether more than one order fits, or might."""
        return self.count > 1 or not self.searched_all

    @property
    def unsure_address_lines(self) -> tuple[int, ...]:
        """Chip address lines on which the orders disagree."""
        return _differing([order.address for order in self.orders])

    @property
    def unsure_data_lines(self) -> tuple[int, ...]:
        """Chip data lines on which the orders disagree."""
        return _differing([order.data for order in self.orders])

    @property
    def words(self) -> str:
        """The finding as sentences."""
        if not self.orders:
            if self.searched_all:
                return "No order of lines makes this chip from this file: their contents differ."
            return "No order of lines was found before the search was given up."
        first = self.orders[0]
        found = f"{_listed('A', first.address)}; {_listed('D', first.data)}."
        if not self.ambiguous:
            return f"Found, and no other order fits: {found}"
        if self.count == 1:
            return f"One order fits; the search for others was given up: {found}"
        unsure = [f"A{line}" for line in self.unsure_address_lines]
        unsure += [f"D{line}" for line in self.unsure_data_lines]
        count = f"{self.count:,}" if self.searched_all else f"at least {self.count:,}"
        return (
            f"Ambiguous: {count} orders fit, for the content looks the same with any of them. They disagree"
            f" on {', '.join(unsure)}. One is: {found}"
        )


def find_line_order(known: bytes, chip: bytes, word_bytes: int = 1) -> LineFinding:
    """Find the orders of lines that turn the file `known` into what the chip holds.

    Both have one length, a power of two words of 1 or 2 bytes (low byte first). Raises BenchError
    `image-placement` otherwise. Takes about a second for 512 KiB.
    """
    words = len(known) // word_bytes
    if len(known) != len(chip) or len(known) % word_bytes or words < 2 or words & (words - 1):
        raise BenchError(
            Code.IMAGE_PLACEMENT,
            f"the file has {len(known):,} bytes and the chip {len(chip):,}, in words of {word_bytes}",
            hint="Both must have one length, a power of two words: take that slice of the file first.",
            details={"known_bytes": len(known), "chip_bytes": len(chip)},
        )
    return _Search(known, chip, word_bytes).result()


class _Prints:
    """The fingerprints of one content: counts that stay with lines however these are reordered."""

    def __init__(self, words: NDArray[np.uint32], bits: int) -> None:
        self._words = words
        self.lines = (len(words) - 1).bit_length()
        self.bits = bits
        planes = [(words >> np.uint32(bit) & np.uint32(1)).astype(np.uint8) for bit in range(bits)]
        self.ones = [int(np.count_nonzero(plane)) for plane in planes]
        self.by_address = np.array([_halves(plane, self.lines) for plane in planes], dtype=np.int64).T
        self._pairs: list[list[list[int]]] | None = None
        self.together = np.array(
            [[int(np.count_nonzero(one & other)) for other in planes] for one in planes], dtype=np.int64
        )

    def count_pairs(self) -> None:
        """Count, for each two address lines, the ones of each data line where both are 1.

        It takes longer, and is needed where data lines are sums of address lines, as in test contents.
        """
        if self._pairs is not None:
            return
        pairs = np.zeros((self.lines, self.lines, self.bits), dtype=np.int64)
        for bit in range(self.bits):
            plane = (self._words >> np.uint32(bit) & np.uint32(1)).astype(np.uint8)
            for line in range(1, self.lines):
                where_1 = plane.reshape(-1, 2, 1 << line)[:, 1, :].sum(axis=0, dtype=np.uint32)
                pairs[line, :line, bit] = pairs[:line, line, bit] = _halves(where_1, line)
        self._pairs = pairs.tolist()

    def refine(self, address: _Colours, data: _Colours) -> tuple[_Colours, _Colours]:
        """Tell lines apart by the colours of the lines they have counts with, until nothing changes."""
        kinds = -1
        while kinds != (kinds := len(set(address)) + len(set(data))):
            new_address = tuple(
                hash(
                    (
                        address[line],
                        tuple(sorted(zip(self.by_address[line].tolist(), data, strict=True))),
                        self._of_pairs(line, address, data),
                    )
                )
                for line in range(self.lines)
            )
            new_data = tuple(
                hash(
                    (
                        data[bit],
                        self.ones[bit],
                        tuple(sorted(zip(self.by_address[:, bit].tolist(), address, strict=True))),
                        tuple(sorted(zip(self.together[bit].tolist(), data, strict=True))),
                    )
                )
                for bit in range(self.bits)
            )
            if len(set(new_address)) + len(set(new_data)) == kinds:
                return new_address, new_data
            address, data = new_address, new_data
        return address, data

    def _of_pairs(self, line: int, address: _Colours, data: _Colours) -> int:
        if self._pairs is None:
            return 0
        with_each = (
            (colour, tuple(sorted(zip(counts, data, strict=True))))
            for colour, counts in zip(address, self._pairs[line], strict=True)
        )
        return hash(tuple(sorted(with_each)))


def _halves(plane: NDArray[np.uint8] | NDArray[np.uint32], lines: int) -> list[int]:
    """Return for each address line how many ones stand where it is 1; the content is folded half on half."""
    counts = []
    folded: NDArray[np.uint32] | NDArray[np.uint8] = plane
    for _ in range(lines):
        half = len(folded) // 2
        counts.append(int(folded[half:].sum(dtype=np.uint64)))
        folded = folded[:half].astype(np.uint32) + folded[half:]
    return counts[::-1]


class _Search:
    def __init__(self, known: bytes, chip: bytes, word_bytes: int) -> None:
        kind = np.dtype("<u2") if word_bytes == 2 else np.dtype(np.uint8)
        self._known_bytes = np.frombuffer(known, dtype=np.uint8)
        self._chip_bytes = np.frombuffer(chip, dtype=np.uint8)
        self._known = self._known_bytes.view(kind).astype(np.uint32)
        self._chip = self._chip_bytes.view(kind).astype(np.uint32)
        self._word_bytes = word_bytes
        self.bits = 8 * word_bytes
        self._of_known, self._of_chip = _Prints(self._known, self.bits), _Prints(self._chip, self.bits)
        self.lines = self._of_known.lines
        self._sample = np.random.default_rng(0).integers(0, len(self._known), _SAMPLES)
        self._tries = 0

    def result(self) -> LineFinding:
        """Find one order, then whether others could take the place of each choice that led to it."""
        plain: _Coloured = (0,) * self.lines, (0,) * self.bits
        start = self._of_known.refine(*plain), self._of_chip.refine(*plain)
        if all(sorted(k) == sorted(c) for k, c in zip(*start, strict=True)) and _open_line(start[1]):
            self._of_known.count_pairs()
            self._of_chip.count_pairs()
            start = self._of_known.refine(*plain), self._of_chip.refine(*plain)
        path: list[_Choice] = []
        found = self._first(*start, path)
        if found is None:
            return LineFinding((), 0, not self._given_up)
        orders, count = [found], 1
        same = _Groups()
        # From the last choice back: what is known to be interchangeable there stays so further up, where
        # fewer choices are fixed (the orders form a group, and this is its chain of stabilisers).
        for choice in path:
            for candidate in choice.candidates:
                if same.joined((choice.kind, candidate), (choice.kind, choice.taken)):
                    continue
                other = self._first(*self._after(choice, candidate), [])
                if other is not None:
                    orders.append(other)
                    same.join_all(0, found.address, other.address)
                    same.join_all(1, found.data, other.data)
            count *= sum(
                same.joined((choice.kind, candidate), (choice.kind, choice.taken))
                for candidate in choice.candidates
            )
        return LineFinding(tuple(orders), count, not self._given_up)

    @property
    def _given_up(self) -> bool:
        return self._tries >= _TRIES_MAX

    def _first(self, known: _Coloured, chip: _Coloured, path: "list[_Choice]") -> LineOrder | None:
        """Find an order that fits these colours and makes the chip; its choices go to `path`, last first."""
        if self._given_up or any(
            sorted(one) != sorted(other) for one, other in zip(known, chip, strict=True)
        ):
            return None
        open_line = _open_line(chip)
        if open_line is None:
            self._tries += 1
            order = LineOrder(*(tuple(k.index(c) for c in each) for k, each in zip(known, chip, strict=True)))
            return order if self._makes(order) else None
        kind, line = open_line
        candidates = [index for index, each in enumerate(known[kind]) if each == chip[kind][line]]
        for candidate in sorted(candidates, key=lambda index: index != line):
            choice = _Choice(kind, line, candidate, tuple(candidates), known, chip)
            found = self._first(*self._after(choice, candidate), path)
            if found is not None:
                path.append(choice)
                return found
        return None

    def _after(self, choice: "_Choice", candidate: int) -> tuple[_Coloured, _Coloured]:
        """Return the colours of both contents once a chip line is said to be on a board line."""
        return (
            self._of_known.refine(*_marked(choice.known, choice.kind, candidate)),
            self._of_chip.refine(*_marked(choice.chip, choice.kind, choice.line)),
        )

    def _makes(self, order: LineOrder) -> bool:
        """Tell whether the file, reordered so, is the chip: first at some places, then everywhere."""
        board = np.zeros_like(self._sample)
        for chip_line, board_line in enumerate(order.address):
            board |= (self._sample >> chip_line & 1) << board_line
        words = self._known[board]
        moved = np.zeros_like(words)
        for chip_bit, board_bit in enumerate(order.data):
            moved |= (words >> np.uint32(board_bit) & np.uint32(1)) << np.uint32(chip_bit)
        if not np.array_equal(moved, self._chip[self._sample]):
            return False
        whole = reorder_addresses(self._known_bytes, order.address, self._word_bytes)
        return bool(np.array_equal(permute_bits(whole, order.data, self._word_bytes), self._chip_bytes))


@dataclass(frozen=True, slots=True)
class _Choice:
    """A chip line (kind 0: address, 1: data) said to be on board line `taken` out of `candidates`."""

    kind: int
    line: int
    taken: int
    candidates: tuple[int, ...]
    known: _Coloured
    chip: _Coloured


class _Groups:
    """Board lines that are known to be interchangeable."""

    def __init__(self) -> None:
        self._above: dict[tuple[int, int], tuple[int, int]] = {}

    def _top(self, line: tuple[int, int]) -> tuple[int, int]:
        while line in self._above:
            line = self._above[line]
        return line

    def joined(self, one: tuple[int, int], other: tuple[int, int]) -> bool:
        return self._top(one) == self._top(other)

    def join_all(self, kind: int, ones: tuple[int, ...], others: tuple[int, ...]) -> None:
        for one, other in zip(ones, others, strict=True):
            top, other_top = self._top((kind, one)), self._top((kind, other))
            if top != other_top:
                self._above[top] = other_top


def _open_line(colours: _Coloured) -> tuple[int, int] | None:
    """Return a line (kind, number) that shares its colour with the fewest others."""
    shared = [
        (each.count(colour), kind, line)
        for kind, each in enumerate(colours)
        for line, colour in enumerate(each)
        if each.count(colour) > 1
    ]
    return min(shared)[1:] if shared else None


def _marked(colours: _Coloured, kind: int, line: int) -> _Coloured:
    own = tuple(hash((each, _MARK)) if at == line else each for at, each in enumerate(colours[kind]))
    return (own, colours[1]) if kind == 0 else (colours[0], own)


def _differing(orders: Sequence[tuple[int, ...]]) -> tuple[int, ...]:
    return tuple(line for line, seen in enumerate(zip(*orders, strict=True)) if len(set(seen)) > 1)


def _listed(letter: str, order: tuple[int, ...]) -> str:
    moved = [
        f"chip {letter}{chip} on board {letter}{board}" for chip, board in enumerate(order) if chip != board
    ]
    return ", ".join(moved) if moved else f"all {letter} lines straight"
