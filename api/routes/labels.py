"""Labels for chips: sheets as PDF or SVG."""

from enum import StrEnum
from typing import Annotated, Any

from fastapi import APIRouter, Body, Query, Response

from api.wiring import BenchHere
from daemon.errors import BenchError, Code
from daemon.labels.request import LabelRequest

PATH = "/v1/labels"

router = APIRouter(prefix=PATH, tags=["labels"])

_PDF = "application/pdf"
_SVG = "image/svg+xml"


class SheetFormat(StrEnum):
    """What a sheet of labels is given as."""

    PDF = "pdf"
    """All sheets in one document."""
    SVG = "svg"
    """One sheet a document."""


_RESPONSES: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The sheets. `Sheets` says how many there are.",
        "headers": {"Sheets": {"description": "How many sheets.", "schema": {"type": "integer"}}},
        "content": {
            _PDF: {"schema": {"type": "string", "format": "binary"}},
            _SVG: {"schema": {"type": "string"}},
        },
    }
}
LabelBody = Annotated[
    LabelRequest,
    Body(
        examples=[
            {
                "board": "tern-16",
                "plan": {"copies": 20},
                "version": "1.2",
                "stock": {"label_width_mm": 30, "label_height_mm": 13},
            }
        ]
    ),
]


@router.post("", response_class=Response, responses=_RESPONSES)
def print_labels(
    bench: BenchHere,
    request: LabelBody,
    format: Annotated[SheetFormat, Query(description="PDF with all sheets, or one sheet as SVG.")] = (
        SheetFormat.PDF
    ),
    sheet: Annotated[int, Query(ge=1, le=10_000, description="Which sheet, for SVG.")] = 1,
) -> Response:
    """Make out window labels for the chips of a plan, a batch or jobs, on stock of your own size.

    A label says position, even or odd bytes, product and version, part and speed, CRC-32 and 16-bit sum of
    the whole chip, date and set; a notch shows the end with pin 1.
    """
    from daemon.labels.pdf import pdf_of
    from daemon.labels.svg import svg_of

    labels = bench.labels.sheet(request)
    headers = {"Sheets": str(labels.pages)}
    if format is SheetFormat.PDF:
        return Response(pdf_of(labels), media_type=_PDF, headers=headers)
    try:
        return Response(svg_of(labels, sheet), media_type=_SVG, headers=headers)
    except LookupError as error:
        raise BenchError(
            Code.NOT_FOUND,
            str(error),
            hint="Sheets count from 1; the header Sheets says how many.",
            field="sheet",
        ) from error
