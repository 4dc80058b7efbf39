"""From labels to what is drawn: marks in millimetres from the sheet's upper left corner, for any format."""

from collections.abc import Iterator
from dataclasses import dataclass

from reportlab.pdfbase.pdfmetrics import stringWidth

from daemon.labels.model import FOOT_MM, LabelSheet, LabelText, Stock

POINT_MM = 25.4 / 72
FONT = "Helvetica"
BOLD = "Helvetica-Bold"
"""Two of the fonts that every PDF reader has; SVG readers take what they have for it."""

DAYLIGHT = (
    "Cover the window: daylight erases a chip in about a week of sun, room light in about three years. "
    "Put paper labels under an opaque cover."
)
"""About one week of direct sunlight, three years of room fluorescent light: ST M27C256B, Intel 272318."""

_LARGEST_MM = 3.0
_SMALLEST_MM = 1.1
_LEADING = 1.2
_ASCENT = 0.75
"""Height of Helvetica's capitals above the base line, of its size: 718/1000, and some air."""
_MARGIN_MM = 0.8
_HAIR_MM = 0.1


@dataclass(frozen=True, slots=True)
class Text:
    """Words whose base line begins at `x_mm`, `y_mm`."""

    x_mm: float
    y_mm: float
    size_mm: float
    words: str
    font: str = FONT
    grey: bool = False


@dataclass(frozen=True, slots=True)
class Box:
    """The edge of a label."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    line_mm: float = _HAIR_MM


@dataclass(frozen=True, slots=True)
class Notch:
    """Half a circle that opens to the left, centred on `x_mm`, `y_mm`: the chip's end with pin 1."""

    x_mm: float
    y_mm: float
    radius_mm: float
    line_mm: float = 0.2


Mark = Text | Box | Notch


def page_marks(sheet: LabelSheet, number: int) -> Iterator[Mark]:
    """Yield what is on sheet `number` (from 1)."""
    for x_mm, y_mm, label in sheet.page(number):
        yield from label_marks(label, sheet.stock, x_mm, y_mm)
    yield from _foot(sheet.stock)


def label_marks(label: LabelText, stock: Stock, x_mm: float, y_mm: float) -> Iterator[Mark]:
    """Yield one label with its upper left corner there.

    The notch is drawn on the left, so pin 1 is below it, at the lower left, as on a chip seen from above.
    """
    width_mm, height_mm = stock.label_width_mm, stock.label_height_mm
    if stock.outline:
        yield Box(x_mm, y_mm, width_mm, height_mm)
    radius_mm = min(1.5, height_mm / 6)
    yield Notch(x_mm, y_mm + height_mm / 2, radius_mm)
    one_mm = min(1.7, height_mm / 6)
    yield Text(x_mm + 0.3, y_mm + height_mm - 0.5, one_mm, "1", BOLD)
    indent_mm = radius_mm + 1.5 * _MARGIN_MM
    room_mm = width_mm - indent_mm - _MARGIN_MM
    lines = label.lines()
    size_mm = _size(lines, room_mm, height_mm - 2 * _MARGIN_MM)
    top_mm = y_mm + (height_mm - size_mm * (_LEADING * (len(lines) - 1) + _ASCENT)) / 2
    for index, line in enumerate(lines):
        font = FONT if index else BOLD
        base_mm = top_mm + size_mm * (_ASCENT + _LEADING * index)
        yield Text(x_mm + indent_mm, base_mm, size_mm, shortened(line, font, size_mm, room_mm), font)


def width_of(words: str, font: str, size_mm: float) -> float:
    """Return how wide words are, in mm."""
    points: float = stringWidth(words, font, size_mm / POINT_MM)
    return points * POINT_MM


def shortened(words: str, font: str, size_mm: float, room_mm: float) -> str:
    """Return the words, cut off with three dots where they are too wide."""
    if width_of(words, font, size_mm) <= room_mm:
        return words
    while words and width_of(f"{words}...", font, size_mm) > room_mm:
        words = words[:-1]
    return f"{words.rstrip()}..."


def _size(lines: tuple[str, ...], room_mm: float, height_mm: float) -> float:
    """Return the largest size at which all lines fit; not below what can be read, then they are cut off."""
    by_height_mm = height_mm / (_LEADING * (len(lines) - 1) + 1)
    widest = max(width_of(line, FONT if index else BOLD, 1.0) for index, line in enumerate(lines))
    by_width_mm = room_mm / widest if widest else _LARGEST_MM
    return max(min(by_height_mm, by_width_mm, _LARGEST_MM), min(_SMALLEST_MM, by_height_mm))


def _foot(stock: Stock) -> Iterator[Mark]:
    if stock.foot_mm >= FOOT_MM / 2:
        size_mm = min(2.4, (stock.sheet_width_mm - 2 * stock.left_mm) / width_of(DAYLIGHT, FONT, 1.0))
        yield Text(stock.left_mm, stock.sheet_height_mm - stock.foot_mm / 2, size_mm, DAYLIGHT, grey=True)
