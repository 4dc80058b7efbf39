"""Sheets of labels as PDF."""

import io

from reportlab.pdfgen.canvas import Canvas

from daemon.errors import BenchError, Code
from daemon.labels.drawing import POINT_MM, Box, Mark, Notch, Text, page_marks
from daemon.labels.model import LabelSheet


def pdf_of(sheet: LabelSheet) -> bytes:
    """Return all sheets as one PDF; the same labels give the same bytes.

    Raises BenchError `label-invalid` for letters that the fonts of every PDF reader lack.
    """
    _refuse_unprintable(sheet)
    into = io.BytesIO()
    size = sheet.stock.sheet_width_mm / POINT_MM, sheet.stock.sheet_height_mm / POINT_MM
    canvas = Canvas(into, pagesize=size, invariant=1)
    canvas.setTitle("Labels for chips")
    canvas.setCreator("romwright")
    for number in range(1, sheet.pages + 1):
        for mark in page_marks(sheet, number):
            _draw(canvas, mark, size[1])
        canvas.showPage()
    canvas.save()
    return into.getvalue()


def _draw(canvas: Canvas, mark: Mark, height: float) -> None:
    """Draw in points from the lower left corner, as PDF counts."""
    x, y = mark.x_mm / POINT_MM, height - mark.y_mm / POINT_MM
    match mark:
        case Text():
            canvas.setFillGray(0.4 if mark.grey else 0)
            canvas.setFont(mark.font, mark.size_mm / POINT_MM)
            canvas.drawString(x, y, mark.words)
        case Box():
            canvas.setLineWidth(mark.line_mm / POINT_MM)
            canvas.rect(x, y - mark.height_mm / POINT_MM, mark.width_mm / POINT_MM, mark.height_mm / POINT_MM)
        case Notch():
            radius = mark.radius_mm / POINT_MM
            canvas.setLineWidth(mark.line_mm / POINT_MM)
            canvas.arc(x - radius, y - radius, x + radius, y + radius, -90, 180)


def _refuse_unprintable(sheet: LabelSheet) -> None:
    for number, label in enumerate(sheet.labels, start=1):
        for line in label.lines():
            try:
                line.encode("cp1252")
            except UnicodeEncodeError as error:
                letter = line[error.start]
                raise BenchError(
                    Code.LABEL_INVALID,
                    f'label {number} has "{letter}" (U+{ord(letter):04X}); the standard fonts of PDF lack it',
                    hint="Write it in Latin letters, or ask for SVG.",
                    field="labels",
                ) from None
