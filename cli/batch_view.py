"""A batch on the screen, for somebody with full hands: one large instruction, a count, the last result."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Protocol

from cli.out import Out, time_words
from cli.redrawn import Redrawn

if TYPE_CHECKING:
    from rich.console import RenderableType

_BAR_WIDTH = 40
_STYLES = {
    "put-in": "bold white on blue",
    "put-in-again": "bold white on blue",
    "put-back": "bold black on yellow",
    "sits-badly": "bold black on yellow",
    "reseat": "bold black on yellow",
    "working": "bold black on cyan",
    "looking": "bold black on cyan",
    "take-out-good": "bold white on green",
    "take-out-reject": "bold white on red",
    "take-out-re-expose": "bold white on magenta",
    "take-out-set-aside": "bold black on yellow",
    "label": "bold white on green",
    "question": "bold black on yellow",
    "no-programmer": "bold white on red",
    "finished": "bold white on green",
    "paused": "bold black on yellow",
    "ended": "bold black on yellow",
}
KEYS = "No key is needed. With Enter: p pause, r throw this chip out, c count it; Enter alone: done."


class BatchScreen(Protocol):
    """Where a batch is shown."""

    def __enter__(self) -> "BatchScreen":
        """Begin."""

    def __exit__(self, *_: object) -> None:
        """Leave the screen as it is."""

    def show(self, batch: Mapping[str, Any]) -> None:
        """Show the batch as it stands."""

    def progress(self, words: str) -> None:
        """Show how far the job is, in a few words."""

    def chip(self, chip: Mapping[str, Any]) -> None:
        """Show a chip that was judged."""


def result_words(chip: Mapping[str, Any]) -> str:
    """Return what became of a chip in one line."""
    where = f"{chip['position']}, set {chip['set_number']}"
    verdicts = {
        "good": "good",
        "already": "good, programmed before",
        "reject": "BAD, to the reject pile",
        "re-expose": "not erased, to the pile for the lamp",
        "set-aside": "set aside",
        "unfinished": "not finished",
    }
    said = verdicts.get(chip["verdict"], chip["verdict"])
    more = "" if chip["good"] else f": {chip['words']}"
    return f"Chip {chip['number']} for {where}: {said}{more}"


def count_words(batch: Mapping[str, Any]) -> str:
    """Return the counts in one line."""
    counts = batch["counts"]
    words = [f"{batch['made']} of {batch['total']} made"]
    words += [
        f"{counts[name]} {said}"
        for name, said in (("reject", "rejected"), ("re-expose", "for the lamp"), ("set-aside", "set aside"))
        if counts.get(name)
    ]
    left_s = batch["results"]["remaining_s"]
    if left_s:
        words.append(f"about {time_words(left_s)} left")
    return ", ".join(words)


def set_words(numbers: Sequence[int]) -> str:
    """Return numbers of sets as people say them: `sets 1, 3 to 20`."""
    ranges: list[list[int]] = []
    for number in numbers:
        if ranges and ranges[-1][1] == number - 1:
            ranges[-1][1] = number
        else:
            ranges.append([number, number])
    words = ", ".join(f"{first}" if first == last else f"{first} to {last}" for first, last in ranges)
    return f"set{'s' if len(numbers) > 1 else ''} {words}"


class PlainScreen:
    """One line for each new instruction and each chip."""

    def __init__(self, out: Out) -> None:
        self._out = out
        self._said = ""

    def __enter__(self) -> "PlainScreen":
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def show(self, batch: Mapping[str, Any]) -> None:
        """Print the instruction if it is new."""
        now = batch["instruction"]
        words = f"{now['words']} {now['detail']}".strip()
        if now["code"] not in ("starting", "looking") and words != self._said:
            self._said = words
            self._out.say(f"[{batch['made']}/{batch['total']}] {words}")

    def progress(self, words: str) -> None:
        """Print nothing: a line is for ever."""

    def chip(self, chip: Mapping[str, Any]) -> None:
        """Print what became of a chip."""
        self._out.say(f"  {result_words(chip)}")


class JsonScreen(PlainScreen):
    """Nothing: events go out as lines of JSON."""

    def show(self, batch: Mapping[str, Any]) -> None:
        """Show nothing."""

    def chip(self, chip: Mapping[str, Any]) -> None:
        """Show nothing."""


class LiveScreen(Redrawn):
    """The instruction in a large field, redrawn in place."""

    def __init__(self, out: Out, *, keys: bool) -> None:
        super().__init__(out, per_second=4)
        self._keys = keys
        self._batch: Mapping[str, Any] | None = None
        self._progress = ""
        self._last = ""
        self._last_good = True

    def show(self, batch: Mapping[str, Any]) -> None:
        """Draw the batch as it stands."""
        if self._batch is None or batch["instruction"]["code"] not in ("starting", "looking"):
            # Those pass in a moment: what was said before stands until there is something to do.
            self._batch, self._progress = batch, ""
        if batch.get("last"):
            self.chip(batch["last"])
        self._draw()

    def progress(self, words: str) -> None:
        """Draw how far the job is; the next regular drawing is soon enough."""
        self._progress = words

    def chip(self, chip: Mapping[str, Any]) -> None:
        """Remember what became of a chip."""
        self._last, self._last_good = result_words(chip), chip["good"]

    def _draw(self) -> None:
        self.refresh()

    def render(self) -> "RenderableType":
        """Return the drawing."""
        from rich.align import Align
        from rich.console import Group
        from rich.padding import Padding
        from rich.panel import Panel
        from rich.progress_bar import ProgressBar
        from rich.table import Table
        from rich.text import Text

        batch = self._batch
        if batch is None:
            return Text("...")
        now = batch["instruction"]
        style = _STYLES.get(now["code"], "bold")
        large = Padding(Align.center(Text(now["words"], style, justify="center")), (1, 2), style=style)
        bar = Table.grid()
        bar.add_row(ProgressBar(total=batch["total"], completed=batch["made"], width=_BAR_WIDTH))
        title = f"Batch {batch['number']}: {batch['sets']} x {batch['board_name']}"
        lines: list[RenderableType] = [
            Panel(large, title=title, padding=0),
            Text(now["detail"]),
            Text(self._progress, "dim"),
            bar,
            Text(count_words(batch)),
            Text(f"Last: {self._last}" if self._last else "", "green" if self._last_good else "red"),
        ]
        if self._keys:
            lines.append(Text(KEYS, "dim"))
        return Group(*lines)


def screen_for(out: Out, *, keys: bool) -> BatchScreen:
    """Choose the screen that suits where the output goes."""
    if out.json:
        return JsonScreen(out)
    live = out.plain.is_terminal and not out.plain.is_dumb_terminal
    return LiveScreen(out, keys=keys) if live else PlainScreen(out)


def show_results(out: Out, batch: Mapping[str, Any]) -> None:
    """Print what a batch came to."""
    found = batch["results"]
    out.say(f"Batch {batch['number']}, {batch['state']}: {batch['instruction']['words']}", "bold")
    out.say(f"  {found['sets_complete']} of {batch['sets']} sets complete; {count_words(batch)}.")
    if found["yield_share"] is not None:
        out.say(f"  Yield {found['yield_share']:.0%} of the chips that were programmed.")
    if found["work_s"] is not None:
        out.say(
            f"  Per chip {time_words(found['work_s'])} on the programmer,"
            f" {time_words(found['chip_s'])} with hands."
        )
    for title, causes in (("Failed", found["failed_by_cause"]), ("Set aside", found["set_aside_by_cause"])):
        if causes:
            out.say(f"  {title}: " + ", ".join(f"{count} {cause}" for cause, count in causes.items()) + ".")
    if found["re_verified"]:
        out.say(f"  Verified a second time: {found['re_verified']}.")
    for each in found["remaining"]:
        sets = set_words(each["sets"])
        out.say(f"  Still to be made: {each['position']} ({each['part_name']}) of {sets}.", "yellow")
    if batch["instruction"]["detail"]:
        out.say(f"  {batch['instruction']['detail']}")
