"""A job as it runs: its steps drawn live on a terminal, or one line for each where there is none."""

import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from cli.client import Event
from cli.out import Out, bytes_words, time_words
from cli.redrawn import Redrawn

if TYPE_CHECKING:
    from rich.console import RenderableType

_BAR_WIDTH = 28
_PLAIN_EVERY_S = 5.0
"""Without a terminal a line is for ever, so progress gets one now and then only."""
_STYLES = {
    "running": "bold",
    "done": "green",
    "failed": "bold red",
    "skipped": "dim",
    "cancelled": "yellow",
    "interrupted": "yellow",
    "pending": "dim",
}
_MARKS = {"running": ">", "done": "✓", "failed": "✗", "skipped": "-", "cancelled": "!", "interrupted": "!"}
_ASCII_MARKS = {**_MARKS, "done": "+", "failed": "X"}
_ENDED = frozenset({"done", "failed", "skipped", "cancelled", "interrupted"})


@dataclass(slots=True)
class StepLine:
    """What is known about one step."""

    name: str
    title: str
    state: str = "pending"
    done_bytes: int = 0
    total_bytes: int | None = None
    words: str = ""
    eta_s: float | None = None

    @property
    def told(self) -> str:
        """What is said beside it once it has ended; why it failed is the job's result, told after it."""
        return "failed" if self.state == "failed" else self.words

    @property
    def bytes_words(self) -> str:
        """How far it is, such as `12 of 64 KiB`."""
        if not self.total_bytes:
            return ""
        total = bytes_words(self.total_bytes)
        if total.endswith("KiB"):
            return f"{self.done_bytes / 1024:.0f} of {total}"
        return f"{self.done_bytes:,} of {total}"


@dataclass(slots=True)
class JobLines:
    """The steps of one job in order, kept up to date by its events."""

    steps: dict[str, StepLine] = field(default_factory=dict)
    state: str = "queued"

    @classmethod
    def of(cls, job: Mapping[str, Any]) -> "JobLines":
        """Start from a job as the API shows it."""
        lines = cls(state=str(job["state"]))
        for step in job["steps"]:
            lines.steps[step["name"]] = StepLine(step["name"], step["title"])
            lines._update(step["name"], step)
        return lines

    def take(self, event: Event) -> StepLine | None:
        """Take in an event; return the step that it is about, if any."""
        inner = event.data.get("data") or {}
        if event.type == "job-state":
            self.state = str(inner["state"])
        elif event.type in ("job-step", "job-progress"):
            return self._update(inner["step"], inner)
        return None

    def _update(self, name: str, values: Mapping[str, Any]) -> StepLine:
        step = self.steps.setdefault(name, StepLine(name, str(values.get("title", name))))
        step.state = str(values["state"])
        step.done_bytes = int(values.get("done_bytes") or 0)
        step.total_bytes = values.get("total_bytes")
        step.words = str((values.get("result") or {}).get("words", ""))
        step.eta_s = values.get("eta_s")
        return step


class PlainView:
    """One line for each step that ends, and now and then how far a long one is."""

    def __init__(self, out: Out, lines: JobLines) -> None:
        self._out = out
        self._lines = lines
        self._marks = _marks(out)
        self._printed: set[str] = set()
        self._said_s = time.monotonic()

    def __enter__(self) -> "PlainView":
        self.update(None)
        return self

    def __exit__(self, *_: object) -> None:
        self.update(None)

    def update(self, changed: StepLine | None) -> None:
        """Print what is new; None: look at every step."""
        for step in [changed] if changed else list(self._lines.steps.values()):
            if step.state in _ENDED and step.name not in self._printed:
                self._printed.add(step.name)
                mark = self._marks.get(step.state, " ")
                self._say(f"{mark} {step.title:<12} {step.told}".rstrip())
            elif step.state == "running" and step.total_bytes and self._due():
                left = f", {time_words(step.eta_s)} left" if step.eta_s is not None else ""
                self._say(f"  {step.title:<12} {step.bytes_words}{left}")

    @contextmanager
    def aside(self) -> Iterator[None]:
        """Give the terminal to somebody else for a while."""
        yield

    def _due(self) -> bool:
        return time.monotonic() - self._said_s >= _PLAIN_EVERY_S

    def _say(self, text: str) -> None:
        self._said_s = time.monotonic()
        self._out.say(text)


class LiveView(Redrawn):
    """All steps, redrawn in place."""

    def __init__(self, out: Out, lines: JobLines) -> None:
        super().__init__(out, per_second=8)
        self._lines = lines
        self._marks = _marks(out)

    def update(self, changed: StepLine | None) -> None:
        """Draw anew when a step begins or ends; progress waits for the next regular drawing."""
        if changed is None or changed.state in _ENDED:
            self.refresh()

    @contextmanager
    def aside(self) -> Iterator[None]:
        """Give the terminal to somebody else for a while."""
        self.__exit__()
        try:
            yield
        finally:
            self.__enter__()

    def render(self) -> "RenderableType":
        """Return the drawing of all steps."""
        from rich.table import Table
        from rich.text import Text

        grid = Table.grid(padding=(0, 1))
        grid.add_column(width=1)
        grid.add_column(no_wrap=True)
        grid.add_column(overflow="fold")
        for step in self._lines.steps.values():
            style = _STYLES.get(step.state, "")
            grid.add_row(
                Text(self._marks.get(step.state, " "), style), Text(step.title, style), self._detail(step)
            )
        return grid

    def _detail(self, step: StepLine) -> "RenderableType":
        from rich.progress_bar import ProgressBar
        from rich.table import Table
        from rich.text import Text

        if step.state != "running":
            return Text(step.told, _STYLES["failed"] if step.state == "failed" else "")
        if self._lines.state == "waiting":
            return Text("waiting for you", "yellow")
        if not step.total_bytes:
            return Text("...")
        row = Table.grid(padding=(0, 1))
        eta = f"{time_words(step.eta_s)} left" if step.eta_s is not None else ""
        row.add_row(
            ProgressBar(total=step.total_bytes, completed=step.done_bytes, width=_BAR_WIDTH),
            Text(step.bytes_words),
            Text(eta, "dim"),
        )
        return row


class QuietView:
    """Nothing: a JSON document comes at the end."""

    def __enter__(self) -> "QuietView":
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def update(self, changed: StepLine | None) -> None:
        """Draw nothing."""

    @contextmanager
    def aside(self) -> Iterator[None]:
        """Give the terminal to somebody else for a while."""
        yield


View = PlainView | LiveView | QuietView


def view_for(out: Out, lines: JobLines) -> View:
    """Choose the view that suits where the output goes."""
    if out.json:
        return QuietView()
    return LiveView(out, lines) if out.plain.is_terminal and not out.plain.is_dumb_terminal else PlainView(
        out, lines
    )  # fmt: skip


def _marks(out: Out) -> dict[str, str]:
    return _MARKS if out.plain.encoding.lower().startswith("utf") else _ASCII_MARKS
