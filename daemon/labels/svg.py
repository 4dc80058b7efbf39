"""Sheets of labels as SVG 1.1, one document a sheet, in millimetres."""

from xml.etree import ElementTree as ET

from daemon.labels.drawing import BOLD, Box, Mark, Notch, Text, page_marks, width_of
from daemon.labels.model import LabelSheet

_SVG = "http://www.w3.org/2000/svg"
_FAMILY = "Helvetica, Arial, 'Liberation Sans', sans-serif"


def svg_of(sheet: LabelSheet, number: int = 1) -> str:
    """Return sheet `number` (from 1). Raises LookupError for one that is not there."""
    if not 1 <= number <= sheet.pages:
        raise LookupError(f"there are {sheet.pages} sheets, not {number}")
    width, height = sheet.stock.sheet_width_mm, sheet.stock.sheet_height_mm
    root = ET.Element(
        "svg",
        {
            "xmlns": _SVG,
            "version": "1.1",
            "width": f"{width:g}mm",
            "height": f"{height:g}mm",
            "viewBox": f"0 0 {width:g} {height:g}",
            "font-family": _FAMILY,
        },
    )
    for mark in page_marks(sheet, number):
        _draw(root, mark)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode")


def _draw(root: ET.Element, mark: Mark) -> None:
    match mark:
        case Text():
            # The width is said, so that another font than the one that was measured stays in its place.
            attributes = {
                "x": _mm(mark.x_mm),
                "y": _mm(mark.y_mm),
                "font-size": _mm(mark.size_mm),
                "font-weight": "bold" if mark.font == BOLD else "normal",
                "fill": "#666" if mark.grey else "#000",
                "textLength": _mm(width_of(mark.words, mark.font, mark.size_mm)),
                "lengthAdjust": "spacingAndGlyphs",
                "{http://www.w3.org/XML/1998/namespace}space": "preserve",
            }
            ET.SubElement(root, "text", attributes).text = mark.words
        case Box():
            edge = {"width": _mm(mark.width_mm), "height": _mm(mark.height_mm)}
            place = {"x": _mm(mark.x_mm), "y": _mm(mark.y_mm)}
            ET.SubElement(root, "rect", {**place, **edge, **_line(mark.line_mm)})
        case Notch():
            x, y, r = _mm(mark.x_mm), mark.y_mm, _mm(mark.radius_mm)
            path = f"M {x} {_mm(y - mark.radius_mm)} A {r} {r} 0 0 1 {x} {_mm(y + mark.radius_mm)}"
            ET.SubElement(root, "path", {"d": path, **_line(mark.line_mm)})


def _line(width_mm: float) -> dict[str, str]:
    return {"fill": "none", "stroke": "#000", "stroke-width": _mm(width_mm)}


def _mm(value: float) -> str:
    return f"{value:.3f}".rstrip("0").rstrip(".")
