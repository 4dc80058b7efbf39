"""The forms in which jobs and batches are reported."""

from enum import StrEnum
from typing import Annotated, Any

from fastapi import Query

JUNIT_TYPE = "application/xml"


class ReportForm(StrEnum):
    """Forms of a report."""

    JSON = "json"
    JUNIT = "junit"


REPORT_RESPONSES: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The report, as JSON or as JUnit XML.",
        "content": {JUNIT_TYPE: {"schema": {"type": "string"}}},
    }
}
Form = Annotated[ReportForm, Query(description="`json`, or `junit` for JUnit XML.")]
