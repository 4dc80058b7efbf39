"""Rows as CSV (RFC 4180) and JSON, in pieces, so that memory stays small."""

import csv
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

Rows = Iterable[Mapping[str, Any]]

_LIKE_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def as_csv(columns: Sequence[str], rows: Rows) -> Iterator[bytes]:
    """Yield a table in pieces: UTF-8 with a heading, lines ending in CR LF as the RFC says."""
    yield _line(columns)
    for row in rows:
        yield _line([_cell(row[name]) for name in columns])


def as_json(rows: Rows) -> Iterator[bytes]:
    """Yield a JSON array in pieces, one row a line."""
    separator = "[\n"
    for row in rows:
        yield f"{separator}{json.dumps(dict(row), default=plain, ensure_ascii=False)}".encode()
        separator = ",\n"
    yield b"[]\n" if separator == "[\n" else b"\n]\n"


def _line(cells: Sequence[Any]) -> bytes:
    into = io.StringIO()
    csv.writer(into).writerow(cells)
    return into.getvalue().encode()


def _cell(value: Any) -> Any:
    """Return what stands in a cell. A spreadsheet would run text that begins like a formula: it is marked."""
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, str) and value.startswith(_LIKE_A_FORMULA):
        return f"'{value}"
    return "" if value is None else value


def plain(value: Any) -> str:
    """Return what JSON has no form for, as text: times by ISO 8601. Raises TypeError for anything else."""
    if isinstance(value, datetime):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} has no form in JSON")
