"""Steps that move bytes or bits, as declarations."""

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from daemon.images.step_base import StepTable, in_hex, refused
from daemon.images.values import Byte, ByteText, Line, Number, Offset, Size, Small, spelled

Pair = tuple[Line, Line]


class Missing(StrEnum):
    """What to do when the bytes that mark a header are not there."""

    REFUSE = "refuse"
    KEEP = "keep"
    """Take the file as one without a header."""


class SkipHeader(StepTable):
    """Leave out what a program put before the content.

    With `length_bytes` that many bytes go; with `magic` too, only when the file begins with these bytes.
    `magic` alone: everything up to the end of its first appearance in the first 64 KiB goes.
    """

    do: Literal["skip-header"] = "skip-header"
    """Which step it is."""
    length_bytes: Size | None = None
    """Length of the header."""
    magic: ByteText | None = None
    """Bytes that the file, or its header, begins with."""
    missing: Missing = Missing.REFUSE
    """What to do when those bytes are not there."""

    @model_validator(mode="after")
    def _says_enough(self) -> "SkipHeader":
        if self.length_bytes is None and self.magic is None:
            raise refused("length_bytes", "needs length_bytes, magic, or both")
        if self.magic is None and self.missing is Missing.KEEP:
            raise refused("missing", "is about magic, and none is given")
        if self.magic and self.length_bytes and len(self.magic) > self.length_bytes:
            raise refused("magic", f"has {len(self.magic)} bytes, the header only {self.length_bytes}")
        return self

    @property
    def words(self) -> str:
        """The step as a sentence."""
        if self.magic is None:
            return f"Skip a header of {self.length_bytes:,} bytes."
        shown = f"'{spelled(self.magic)}'"
        end = " A file without it is taken whole." if self.missing is Missing.KEEP else ""
        if self.length_bytes is None:
            return f"Skip everything up to and with {shown}.{end}"
        return f"Skip a header of {self.length_bytes:,} bytes that begins with {shown}.{end}"


class Slice(StepTable):
    """Take a stretch: from `start_bytes`, `length_bytes` long or to the end."""

    do: Literal["slice"] = "slice"
    """Which step it is."""
    start_bytes: Offset = 0
    """First byte to take."""
    length_bytes: Size | None = None
    """How many; left out: to the end."""

    @property
    def words(self) -> str:
        """The step as a sentence."""
        if self.length_bytes is None:
            return f"Take everything from {in_hex(self.start_bytes)}."
        end = self.start_bytes + self.length_bytes - 1
        return f"Take {in_hex(self.start_bytes)} to {in_hex(end)}, {self.length_bytes:,} bytes."


_LANES = {"even": 0, "odd": 1}


def _lane_number(lane: object) -> object:
    return _LANES.get(lane, lane) if isinstance(lane, str) else lane


class Split(StepTable):
    """Take one of every `ways` units: the chip that sits on one lane of a wider bus.

    `lane` counts from 0; "even" and "odd" are 0 and 1 of 2. A unit is one byte, or more for wide chips.
    """

    do: Literal["split"] = "split"
    """Which step it is."""
    ways: Annotated[Small, Field(ge=2, le=16)] = 2
    """On how many lanes the bus has the units."""
    lane: Annotated[Number, BeforeValidator(_lane_number), Field(strict=True, ge=0)]
    """Which of them to take, from 0; "even" and "odd" where there are two."""
    unit_bytes: Annotated[Small, Field(le=8)] = 1
    """Bytes in a unit."""

    @model_validator(mode="after")
    def _lane_exists(self) -> "Split":
        if self.lane >= self.ways:
            raise refused("lane", f"is {self.lane}; with {self.ways} ways the lanes are 0 to {self.ways - 1}")
        return self

    @property
    def words(self) -> str:
        """The step as a sentence."""
        unit = "byte" if self.unit_bytes == 1 else f"unit of {self.unit_bytes} bytes"
        if self.ways == 2:
            return f"Take the {'odd' if self.lane else 'even'} {unit}s."
        return f"Take every {_ordinal(self.ways)} {unit}, beginning with number {self.lane}."


class SwapBytes(StepTable):
    """Turn the bytes of each word round; with `unit_bytes`, units of that many bytes change places."""

    do: Literal["swap-bytes"] = "swap-bytes"
    """Which step it is."""
    word_bytes: Annotated[Small, Field(ge=2)] = 2
    """Bytes in a word."""
    unit_bytes: Small = 1
    """Bytes that stay together."""

    @model_validator(mode="after")
    def _units_fit(self) -> "SwapBytes":
        if self.word_bytes % self.unit_bytes or self.unit_bytes == self.word_bytes:
            reason = (
                f"is {self.unit_bytes}; a word of {self.word_bytes} bytes must hold two such units or more"
            )
            raise refused("unit_bytes", reason)
        return self

    @property
    def words(self) -> str:
        """The step as a sentence."""
        if self.unit_bytes > 1:
            return (
                f"In every {self.word_bytes} bytes, turn the order of its {self.unit_bytes}-byte units round."
            )
        return f"Turn the bytes of every {self.word_bytes}-byte word round."


class LinesTable(StepTable):
    """Lines that a board connects out of order: `order`, or only the pairs that change places."""

    order: Annotated[tuple[Line, ...], Field(min_length=1)] | None = None
    """Entry i is the board's line that leads to the chip's line i."""
    exchange: Annotated[tuple[Pair, ...], Field(min_length=1, max_length=16)] | None = None
    """Pairs of lines that change places."""

    @model_validator(mode="after")
    def _one_to_one(self) -> "LinesTable":
        if (self.order is None) == (self.exchange is None):
            raise refused("order", "needs order or exchange, one of the two")
        if self.order is not None:
            wanted = set(range(len(self.order)))
            if set(self.order) != wanted:
                odd = sorted({*wanted} ^ {*self.order}) or [each for each in self.order if each not in wanted]
                reason = f"must name each of the lines 0 to {len(self.order) - 1} once; look at {odd[0]}"
                raise refused("order", reason)
        named = [line for pair in self.exchange or () for line in pair]
        if len(set(named)) != len(named):
            twice = next(line for line in named if named.count(line) > 1)
            raise refused("exchange", f"names line {twice} more than once")
        return self

    def resolved(self, lines: int) -> tuple[int, ...]:
        """Return the order of `lines` lines: entry i is the board's line that leads to the chip's line i."""
        if self.order is not None:
            return self.order
        order = list(range(lines))
        for one, other in self.exchange or ():
            order[one], order[other] = other, one
        return tuple(order)

    @property
    def lines(self) -> int:
        """How many lines are spoken of, counted from 0."""
        if self.order is not None:
            return len(self.order)
        return 1 + max(line for pair in self.exchange or () for line in pair)

    def _in_words(self, letter: str) -> str:
        if self.exchange:
            pairs = (f"{letter}{one} and {letter}{other}" for one, other in self.exchange)
            return f"exchange {', '.join(pairs)}"
        moved = [
            f"{letter}{chip} is the board's {letter}{board}"
            for chip, board in enumerate(self.order or ())
            if chip != board
        ]
        return f"on the chip {', '.join(moved)}" if moved else "no line changes"


class ReorderAddressLines(LinesTable):
    """Make up for address lines that the board connects out of order.

    `order[i]` is the board's address line that leads to the chip's A*i*. A word has `word_bytes`.
    """

    do: Literal["reorder-address-lines"] = "reorder-address-lines"
    """Which step it is."""
    word_bytes: Literal[1, 2] = 1
    """Bytes in a word, which stay together."""

    @property
    def words(self) -> str:
        """The step as a sentence."""
        return f"Reorder address lines: {self._in_words('A')}."


class ReorderDataLines(LinesTable):
    """Make up for data lines that the board connects out of order.

    `order[i]` is the board's data line that leads to the chip's D*i*. A word of 2 bytes has its low byte
    first.
    """

    do: Literal["reorder-data-lines"] = "reorder-data-lines"
    """Which step it is."""
    word_bytes: Literal[1, 2] = 1
    """Bytes in a word, the low one first."""

    @model_validator(mode="after")
    def _whole_words(self) -> "ReorderDataLines":
        width = 8 * self.word_bytes
        if self.order is not None and len(self.order) != width:
            raise refused(
                "order", f"has {len(self.order)} lines; a word has {width} data lines, D0 to D{width - 1}"
            )
        if self.lines > width:
            raise refused("exchange", f"names D{self.lines - 1}; a word has D0 to D{width - 1}")
        return self

    @property
    def words(self) -> str:
        """The step as a sentence."""
        return f"Reorder data lines: {self._in_words('D')}."


class Fill(StepTable):
    """Give holes in the content, and everything up to `to_bytes`, one value."""

    do: Literal["fill"] = "fill"
    """Which step it is."""
    value: Byte = 0xFF
    """The byte to fill with."""
    to_bytes: Size | None = None
    """Length to fill up to; left out: only holes."""

    @property
    def words(self) -> str:
        """The step as a sentence."""
        end = f", and everything up to {self.to_bytes:,} bytes" if self.to_bytes else ""
        return f"Fill what has no content{end} with {self.value:02X}."


class Place(StepTable):
    """Put the content at an offset in `size_bytes` bytes of one value."""

    do: Literal["place"] = "place"
    """Which step it is."""
    offset_bytes: Offset
    """Where the content begins."""
    size_bytes: Size
    """Length of the whole."""
    fill: Byte = 0xFF
    """The byte around it."""

    @property
    def words(self) -> str:
        """The step as a sentence."""
        return f"Place it at {in_hex(self.offset_bytes)} in {self.size_bytes:,} bytes of {self.fill:02X}."


class Repeat(StepTable):
    """Write the content as often as it goes into `to_bytes`, or `times` times."""

    do: Literal["repeat"] = "repeat"
    """Which step it is."""
    to_bytes: Size | None = None
    """Length to fill."""
    times: Annotated[Number, Field(strict=True, ge=2, le=65_536)] | None = None
    """How often to write it."""

    @model_validator(mode="after")
    def _one_way(self) -> "Repeat":
        if (self.to_bytes is None) == (self.times is None):
            raise refused("to_bytes", "needs to_bytes or times, one of the two")
        return self

    @property
    def words(self) -> str:
        """The step as a sentence."""
        return (
            f"Repeat it to fill {self.to_bytes:,} bytes."
            if self.to_bytes
            else f"Repeat it {self.times} times."
        )


class Join(StepTable):
    """Put the content of other sources behind this one, in the order given."""

    do: Literal["join"] = "join"
    """Which step it is."""
    sources: Annotated[tuple[str, ...], Field(min_length=1, max_length=32)]
    """Names of the sources that follow."""

    @property
    def words(self) -> str:
        """The step as a sentence."""
        return f"Join {', '.join(self.sources)} behind it."


def _ordinal(number: int) -> str:
    ending = {2: "nd", 3: "rd"}.get(number, "th")
    return f"{number}{ending}"
