"""A label and the stock that it is printed on. Lengths in millimetres."""

import re
from dataclasses import dataclass
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

Mm = Annotated[float, Field(allow_inf_nan=False, ge=0, le=1000)]
LINE_MAX = 60
#: Letters that no line of a label can have: controls, and the two that XML (SVG) does not take.
_UNFIT = r"\x00-\x1f\x7f\ufffe\uffff"
Line = Annotated[str, Field(max_length=LINE_MAX, pattern=rf"^[^{_UNFIT}]*$")]

FOOT_MM = 8.0
"""Kept free below the labels for the line about daylight, where the stock leaves it."""

_SLACK_MM = 0.01


def line_of(words: str) -> str:
    """Return words from elsewhere, such as the name of a board, as a line of a label can have them."""
    return re.sub(rf"[{_UNFIT}]+", " ", words)[:LINE_MAX]


class Stock(BaseModel):
    """Sheets of labels. The defaults suit plain A4 paper and scissors: 30 by 13 mm covers a window.

    `columns` and `rows` are as many as fit if left out. `outline` draws the edges, to cut along.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    label_width_mm: Annotated[float, Field(ge=8, le=200)] = 30.0
    """Width of a label."""
    label_height_mm: Annotated[float, Field(ge=5, le=200)] = 13.0
    """Height of a label."""
    sheet_width_mm: Annotated[float, Field(ge=20, le=1000)] = 210.0
    """Width of the sheet."""
    sheet_height_mm: Annotated[float, Field(ge=20, le=1000)] = 297.0
    """Height of the sheet."""
    left_mm: Mm = 10.0
    """From the sheet's left edge to the first label."""
    top_mm: Mm = 10.0
    """From the sheet's upper edge to the first label."""
    gap_x_mm: Mm = 2.0
    """Between labels side by side."""
    gap_y_mm: Mm = 2.0
    """Between rows."""
    columns: Annotated[int, Field(ge=1, le=100)] | None = None
    """Labels side by side; as many as fit if left out."""
    rows: Annotated[int, Field(ge=1, le=100)] | None = None
    """Rows on a sheet; as many as fit if left out."""
    outline: bool = True
    """Draw the edges of the labels, for plain paper."""

    @model_validator(mode="after")
    def _fits(self) -> Self:
        for name, count, needed, there in (
            ("columns", self.across, self._width_of(self.across), self.sheet_width_mm),
            ("rows", self.down, self._height_of(self.down), self.sheet_height_mm),
        ):
            if count < 1 or needed > there + _SLACK_MM:
                raise PydanticCustomError(
                    "stock",
                    "{message}",
                    {"message": f"{max(count, 1)} {name} need {needed:g} mm, the sheet has {there:g} mm"},
                )
        return self

    @property
    def across(self) -> int:
        """Labels side by side."""
        room_mm = self.sheet_width_mm - 2 * self.left_mm + self.gap_x_mm + _SLACK_MM
        return self.columns or int(room_mm / (self.label_width_mm + self.gap_x_mm))

    @property
    def down(self) -> int:
        """Rows on a sheet."""
        bottom_mm = max(self.top_mm, FOOT_MM)
        room_mm = self.sheet_height_mm - self.top_mm - bottom_mm + self.gap_y_mm + _SLACK_MM
        return self.rows or int(room_mm / (self.label_height_mm + self.gap_y_mm))

    @property
    def foot_mm(self) -> float:
        """What is free below the last row."""
        return self.sheet_height_mm - self._height_of(self.down)

    def place_mm(self, index: int) -> tuple[float, float]:
        """Return the upper left corner of place `index` (from 0, row by row) from that of the sheet."""
        row, column = divmod(index, self.across)
        return (
            self.left_mm + column * (self.label_width_mm + self.gap_x_mm),
            self.top_mm + row * (self.label_height_mm + self.gap_y_mm),
        )

    def _width_of(self, columns: int) -> float:
        columns = max(columns, 1)
        return self.left_mm + columns * self.label_width_mm + (columns - 1) * self.gap_x_mm

    def _height_of(self, rows: int) -> float:
        rows = max(rows, 1)
        return self.top_mm + rows * self.label_height_mm + (rows - 1) * self.gap_y_mm


class LabelText(BaseModel):
    """What one label says. What is empty is left out."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    title: Line = ""
    """The product and its version."""
    position: Line = ""
    """Where on the board the chip goes."""
    lane: Line = ""
    """Which bytes it holds: even, odd."""
    part: Line = ""
    """The part and its speed."""
    crc32: Annotated[int, Field(ge=0, le=0xFFFF_FFFF)] | None = None
    """CRC-32 of the whole chip."""
    byte_sum_16: Annotated[int, Field(ge=0, le=0xFFFF)] | None = None
    """Sum of all bytes, low 16 bits."""
    date: Line = ""
    """When it was programmed."""
    set: Line = ""
    """Which set of the batch it belongs to."""

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if not self.lines():
            raise PydanticCustomError("label", "{message}", {"message": "an empty label says nothing"})
        return self

    def lines(self) -> tuple[str, ...]:
        """Return its lines, the most telling first."""
        crc = f"CRC {self.crc32:08X}" if self.crc32 is not None else ""
        total = f"sum {self.byte_sum_16:04X}" if self.byte_sum_16 is not None else ""
        rows = (
            (self.position, self.lane),
            (self.title,),
            (self.part,),
            (crc, total),
            (self.date, self.set),
        )
        joined = ("  ".join(filter(None, (text.strip() for text in row))) for row in rows)
        return tuple(filter(None, joined))


@dataclass(frozen=True, slots=True)
class LabelSheet:
    """Labels on stock, from place `start_at` (from 1) of the first sheet on; a begun one is used up."""

    labels: tuple[LabelText, ...]
    stock: Stock
    start_at: int = 1

    @property
    def pages(self) -> int:
        """How many sheets it takes."""
        return -(-(self.start_at - 1 + len(self.labels)) // (self.stock.across * self.stock.down))

    def page(self, number: int) -> list[tuple[float, float, LabelText]]:
        """Return the labels of sheet `number` (from 1) with their upper left corners in mm."""
        per_sheet = self.stock.across * self.stock.down
        first = (number - 1) * per_sheet
        return [
            (*self.stock.place_mm(place - first), label)
            for place, label in enumerate(self.labels, start=self.start_at - 1)
            if first <= place < first + per_sheet
        ]
