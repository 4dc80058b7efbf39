"""What is to be written, cut into the blocks that one request each carries or describes."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import Enum, auto
from itertools import groupby, pairwise

from daemon.catalogue.model import Part
from daemon.catalogue.terms import Kind, Semantics
from daemon.errors import BenchError, Code
from daemon.images.fit import FittedContent
from protocol.descriptor import LoopKind, PartDescriptor
from protocol.wire import Capability

#: Content is looked at in pieces of so many bytes; page-write parts have their pages.
_PIECE_BYTES = 64
#: A stretch shorter than this is sent with what surrounds it: a request of its own would cost as much.
_STRETCH_BYTES = 128
#: A request without data is for so many words at most, and for a nominal time: results show where a job is.
_WORDS_MAX, _NOMINAL_S = 8192, 0.5
#: The first blocks are short, so that work begins before a whole one is on the line; a block may be as long
#: as an eighth of all before it: a line at 115200 is about so much faster than pulses of 100 us.
_FIRST_BYTES, _SHARE_BEFORE = 256, 8


@dataclass(frozen=True, slots=True)
class Block:
    """Consecutive words to write: where they go and their bytes.

    With `value` all are that word, and FILL says so; with `source` they stand in the chip from that word on
    (COPY), once all blocks without a source are written.
    """

    address: int
    data: bytes
    value: int | None = None
    source: int | None = None

    @property
    def carried_bytes(self) -> int:
        """How many of its bytes cross the wire."""
        return len(self.data) if self.value is None and self.source is None else 0

    def piece(self, start_bytes: int, end_bytes: int, word_bytes: int) -> "Block":
        """Return a part of the block, whole words."""
        words = start_bytes // word_bytes
        source = None if self.source is None else self.source + words
        return Block(self.address + words, self.data[start_bytes:end_bytes], self.value, source)


def is_sparse(part: Part) -> bool:
    """Tell whether what an image leaves blank need not be written.

    Padding equals the erased state on a part that only clears bits, and was erased on one that is erased
    first; on a part that replaces bytes, old content could show through.
    """
    return part.write is not None and part.write.semantics is not Semantics.OVERWRITE


def blocks_of(
    content: FittedContent,
    part: Part,
    descriptor: PartDescriptor,
    payload_bytes: int,
    *,
    sparse: bool,
    can: Capability = Capability.NONE,
) -> list[Block]:
    """Return the blocks to write, ascending, those with a source behind all others.

    Each that carries its bytes has at most `payload_bytes`, and lies within one page where the part is
    written by pages. With `sparse`, stretches that hold only the erased value are left out, and so is what
    the image does not cover; without it, all of the part is written. `can`: FILL serves constant stretches,
    COPY those that stand further ahead in the image, too.

    Raises BenchError `programmer-cannot` for flash with larger pages than one request carries: it erases all
    of a page with each write to it.
    """
    page_bytes = _page_bytes(part, descriptor, payload_bytes)
    cutter = _Cutter(content, part, page_bytes, sparse, can)
    # Stable: within both kinds they stay ascending.
    runs = sorted(cutter.runs(), key=lambda run: run.how is _How.COPY)
    size = payload_bytes // part.word_bytes * part.word_bytes
    return list(_cut(runs, content.data, part, descriptor, size, page_bytes))


def _page_bytes(part: Part, descriptor: PartDescriptor, payload_bytes: int) -> int | None:
    """Return the largest whole part of a page that one request carries; None for a part without pages."""
    if descriptor.loop.kind is not LoopKind.PAGE_WRITE or descriptor.page is None:
        return None
    page_bytes = descriptor.page.words * part.word_bytes
    if page_bytes > payload_bytes and part.kind is Kind.FLASH:
        raise BenchError(
            Code.PROGRAMMER_CANNOT,
            f"{part.name} is written by pages of {page_bytes} bytes; the programmer takes {payload_bytes}"
            " at once",
            hint="Use a programmer with more memory.",
            field="part",
        )
    while page_bytes > payload_bytes:
        page_bytes //= 2
    return page_bytes


class _How(Enum):
    """How a stretch gets into the chip."""

    LEFT_OUT = auto()
    SENT = auto()
    FILL = auto()
    COPY = auto()


@dataclass(frozen=True, slots=True)
class _Run:
    """A stretch of the part and how it gets there; `what` is the word of a FILL, the distance of a COPY."""

    start: int
    end: int
    how: _How
    what: int = 0


class _Cutter:
    """Looks at content piece by piece."""

    def __init__(
        self, content: FittedContent, part: Part, page_bytes: int | None, sparse: bool, can: Capability
    ) -> None:
        self._data = content.data
        self._word_bytes = part.word_bytes
        self._size = page_bytes or _PIECE_BYTES
        self._least_bytes = self._size if page_bytes else _STRETCH_BYTES
        self._blank = bytes([part.blank_byte])
        self._sparse = sparse
        self._fills, self._copies = Capability.FILL in can, Capability.COPY in can
        ranges = [(each.start_bytes, each.end_bytes) for each in content.ranges]
        self._ranges = ranges if sparse else [(0, part.size_bytes)]
        #: Where a whole piece stands first that is in the chip before any COPY, and all such places.
        self._first_at: dict[bytes, int] = {}
        self._ahead: set[int] = set()

    def runs(self) -> list[_Run]:
        """Return the stretches to write, ascending."""
        runs: list[_Run] = []
        for start, end in self._ranges:
            joined = _joined(self._pieces(start, end))
            runs += _joined(self._without_short(joined))
        return [run for run in runs if run.how is not _How.LEFT_OUT]

    def _pieces(self, start: int, end: int) -> Iterator[_Run]:
        distance = 0
        edges = [start, *range(start - start % self._size + self._size, end, self._size), end]
        for at, upto in pairwise(edges):
            run = self._piece(at, upto, distance)
            distance = run.what if run.how is _How.COPY else 0
            if run.how in (_How.SENT, _How.FILL) and upto - at == self._size:
                self._ahead.add(at)
                if run.how is _How.SENT:
                    self._first_at.setdefault(self._data[at:upto], at)
            yield run

    def _piece(self, at: int, upto: int, distance: int) -> _Run:
        """Judge one piece; a COPY of the one before it, from `distance` bytes ahead, goes on if it can."""
        data = self._data[at:upto]
        if self._sparse and data.count(self._blank) == len(data):
            return _Run(at, upto, _How.LEFT_OUT)
        whole = upto - at == self._size
        if distance and whole and self._stands(at - distance, data):
            return _Run(at, upto, _How.COPY, distance)
        word = data[: self._word_bytes]
        if self._fills and data == word * (len(data) // self._word_bytes):
            return _Run(at, upto, _How.FILL, int.from_bytes(word, "little"))
        if self._copies and whole and data in self._first_at:
            return _Run(at, upto, _How.COPY, at - self._first_at[data])
        return _Run(at, upto, _How.SENT)

    def _stands(self, at: int, data: bytes) -> bool:
        return at in self._ahead and self._data[at : at + self._size] == data

    def _without_short(self, runs: list[_Run]) -> Iterator[_Run]:
        """Let stretches that are not worth a request of their own go with what is sent beside them."""
        for place, run in enumerate(runs):
            neighbours = {each.how for each in runs[max(0, place - 1) : place + 2] if each is not run}
            short = run.end - run.start < self._least_bytes and run.how is not _How.SENT
            # A blank end of what is sent is left out, however short it is.
            inner = run.how is not _How.LEFT_OUT or (0 < place < len(runs) - 1 and neighbours == {_How.SENT})
            yield replace(run, how=_How.SENT, what=0) if short and inner and _How.SENT in neighbours else run


def _joined(runs: Iterator[_Run]) -> list[_Run]:
    joined: list[_Run] = []
    for (how, what), same in groupby(runs, lambda run: (run.how, run.what)):
        stretch = list(same)
        joined.append(_Run(stretch[0].start, stretch[-1].end, how, what))
    return joined


def _cut(
    runs: list[_Run], data: bytes, part: Part, descriptor: PartDescriptor, size: int, page_bytes: int | None
) -> Iterator[Block]:
    """Yield the blocks of the runs."""
    described = _described_bytes(part, descriptor, size, page_bytes)
    before = 0
    for run in runs:
        at = run.start
        while at < run.end:
            if run.how is not _How.SENT:
                upto = min(at + described, run.end)
            elif page_bytes:
                upto = min(at - at % page_bytes + page_bytes, run.end)
            else:
                upto = min(at + _ramped(size, before), run.end)
            before += upto - at
            value = run.what if run.how is _How.FILL else None
            source = (at - run.what) // part.word_bytes if run.how is _How.COPY else None
            yield Block(at // part.word_bytes, data[at:upto], value, source)
            at = upto


def _ramped(size: int, before: int) -> int:
    """Return the length of the next block that carries its data, after so many bytes."""
    longest = max(_FIRST_BYTES, before // _SHARE_BEFORE)
    return size if size <= longest else longest - longest % _PIECE_BYTES


def _described_bytes(part: Part, descriptor: PartDescriptor, size: int, page_bytes: int | None) -> int:
    """Return for how many bytes a FILL or COPY may be."""
    loop, page = descriptor.loop, descriptor.page
    word_s = loop.pulse_ns / 1e9 * (1 + loop.overprogram_factor)
    if page is not None:
        word_s = max(word_s, page.cycle_us / 1e6 / (page.words if page_bytes else 1))
    words = min(_WORDS_MAX, int(_NOMINAL_S / word_s)) if word_s else _WORDS_MAX
    described = max(size, words * part.word_bytes)
    return described - described % (page_bytes or _PIECE_BYTES)
