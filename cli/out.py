"""Where commands print: results to standard output, everything else to standard error."""

import json
import sys
from datetime import datetime
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from rich.console import Console, RenderableType

_CONTROLS = {code: "\ufffd" for code in (*range(0x20), *range(0x7F, 0xA0)) if chr(code) not in "\n\t"}
"""What a file or a programmer says of itself may have letters that command a terminal: none gets there."""

_PIPED_WIDTH = 160
"""Columns where there is no terminal: wide enough that no table wraps."""


class Out:
    """The two consoles of a command. With `json` nothing but one document reaches standard output."""

    def __init__(self, *, json: bool = False) -> None:
        self.json = json
        self.plain = _console(stderr=False)
        self.notes = _console(stderr=True)

    def say(self, text: str = "", style: str = "") -> None:
        """Print a line of the result; nothing when a JSON document is wanted."""
        if not self.json:
            _print(self.plain, text, style)

    def note(self, text: str, style: str = "dim") -> None:
        """Print a line beside the result: what is being done, what to mind."""
        _print(self.notes, text, style)

    def show(self, what: "RenderableType") -> None:
        """Print something of rich's; nothing when a JSON document is wanted."""
        if not self.json:
            self.plain.print(what, highlight=False)

    def document(self, value: Any) -> None:
        """Print the result as JSON, if that is wanted."""
        if self.json:
            print(json.dumps(value, indent=2, ensure_ascii=False, default=str))

    def line(self, value: Any) -> None:
        """Print one JSON value on a line of its own, at once: for commands that go on."""
        if self.json:
            print(json.dumps(value, ensure_ascii=False, default=str), flush=True)

    def table(self, headings: "Sequence[str]", rows: "Iterable[Sequence[object]]") -> None:
        """Print a table without a frame."""
        if self.json:
            return
        from rich import box
        from rich.table import Table
        from rich.text import Text

        table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False)
        for heading in headings:
            table.add_column(heading, overflow="fold")
        for row in rows:
            table.add_row(*(cell if isinstance(cell, Text) else Text(harmless(str(cell))) for cell in row))
        self.plain.print(table, highlight=False)


def _console(*, stderr: bool) -> "Console":
    from rich.console import Console

    stream = sys.stderr if stderr else sys.stdout
    piped = not stream.isatty()
    return Console(stderr=stderr, width=_PIPED_WIDTH if piped else None, legacy_windows=False)


def _print(console: "Console", text: str, style: str) -> None:
    """Print a line: wrapped between words on a terminal, whole where a program may read it."""
    wrap = console.is_terminal
    console.print(harmless(text), style=style or None, markup=False, highlight=False, soft_wrap=not wrap)


def harmless(text: str) -> str:
    """Return the text with control letters, line ends and tabs aside, made visible."""
    return text.translate(_CONTROLS)


def bytes_words(count: int) -> str:
    """Return a number of bytes as people say it: 64 KiB, 512 bytes."""
    for unit, size in (("MiB", 1 << 20), ("KiB", 1 << 10)):
        if count >= size and count % size == 0:
            return f"{count // size} {unit}"
    return f"{count:,} byte{'s' if count != 1 else ''}"


def time_words(seconds: float) -> str:
    """Return a duration as people say it, to the precision that matters."""
    if seconds < 0.05:
        return "less than 0.1 s"
    if seconds < 59.5:
        return f"{seconds:.1f} s" if seconds < 10 else f"{seconds:.0f} s"
    minutes, rest = divmod(round(seconds), 60)
    if minutes < 60:
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def when_words(text: str | None) -> str:
    """Return one of the API's moments in local time, to the second; "" for none."""
    if not text:
        return ""
    return datetime.fromisoformat(text).astimezone().strftime("%Y-%m-%d %H:%M:%S")
