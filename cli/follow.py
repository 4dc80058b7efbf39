"""Following a job to its end: events shown, questions asked, Ctrl-C passed on as a cancellation."""

import contextlib
import sys
import time
from typing import Any

from cli.client import BenchClient, Event
from cli.exit_codes import Exit
from cli.failure import Failure
from cli.live import JobLines, View, view_for
from cli.out import Out

ENDED = frozenset({"succeeded", "failed", "cancelled", "interrupted"})
#: Questions that offer something, and do not ask for a hand at the bench.
_PROMPTS = {"id-voltage": "Agree?", "write-cycles": "Agree?"}
_RECONNECTS = 5
_PAUSE_S = 0.3


class Follower:
    """Shows one job until it ends.

    `ours` tells that the job is this command's own, so that Ctrl-C cancels it; else it only ends the showing.
    """

    def __init__(self, client: BenchClient, out: Out, job: dict[str, Any], *, ours: bool = True) -> None:
        self._ours = ours
        self._client = client
        self._out = out
        self._path = f"/v1/jobs/{job['id']}"
        self._lines = JobLines.of(job)
        self._last_id: int | None = None
        self._asked = False
        self.interrupted = False
        """Whether Ctrl-C was pressed: the job was cancelled then."""

    def to_the_end(self) -> dict[str, Any]:
        """Follow the job and return it as it ended.

        The first Ctrl-C cancels a job of ours and waits until its supplies are off; the second, or the first
        for another's job, raises KeyboardInterrupt.
        """
        with view_for(self._out, self._lines) as view:
            while True:
                try:
                    return self._watch(view)
                except KeyboardInterrupt:
                    if self.interrupted or not self._ours:
                        raise
                    self.interrupted = True
                    with view.aside():
                        self._out.note(
                            "cancelling; the supplies go off first (Ctrl-C again leaves now)", "yellow"
                        )
                    self._cancel()

    def _watch(self, view: View) -> dict[str, Any]:
        failures = 0
        while True:
            try:
                job = self._read_stream(view)
                if job["state"] in ENDED:
                    self._lines = JobLines.of(job)
                    return job
            except Failure as failure:
                failures += 1
                if failure.status is not Exit.UNREACHABLE or failures > _RECONNECTS:
                    raise
            time.sleep(_PAUSE_S)

    def _read_stream(self, view: View) -> dict[str, Any]:
        with contextlib.closing(self._client.events(f"{self._path}/events", self._last_id)) as events:
            for event in events:
                self._last_id = event.id or self._last_id
                self._take(event, view)
        job: dict[str, Any] = self._client.get(self._path)
        return job

    def _take(self, event: Event, view: View) -> None:
        view.update(self._lines.take(event))
        if event.type == "job-question" and not self._asked:
            self._asked = True
            self._ask(event.data.get("data") or {}, view)
            self._asked = False

    def _ask(self, question: dict[str, Any], view: View) -> None:
        """Have the person answer; without one the job is given up, since nobody set the supply."""
        if self._client.get(self._path)["state"] != "waiting":
            return  # answered elsewhere, and this is an old event
        with view.aside():
            self._out.note(str(question.get("words", "")), "bold")
            if question.get("noticed_by") in ("pins", "button"):
                return  # nobody has to answer: it goes on when the chip is in
            if not sys.stdin.isatty():
                self._out.note(
                    "No terminal to ask on, so the job is given up; --supplies-set answers beforehand.",
                    "yellow",
                )
                yes = False
            else:
                yes = ask_yes(self._out, _PROMPTS.get(str(question.get("code")), "Done as asked?"))
        with contextlib.suppress(Failure):  # somebody else may have answered meanwhile
            self._client.post(f"{self._path}/answer", {"confirm": yes})

    def _cancel(self) -> None:
        with contextlib.suppress(Failure):  # it may have just ended
            self._client.post(f"{self._path}/cancel")


def wait_for_end(client: BenchClient, job_id: str, patience_s: float = 30.0) -> dict[str, Any]:
    """Return a job once it has ended, or as it stands when that takes too long."""
    deadline_s = time.monotonic() + patience_s
    while True:
        job: dict[str, Any] = client.get(f"/v1/jobs/{job_id}")
        if job["state"] in ENDED or time.monotonic() > deadline_s:
            return job
        time.sleep(_PAUSE_S)


def ask_yes(out: Out, question: str) -> bool:
    """Ask on the terminal; only y or yes means yes. End of input means no."""
    out.notes.print(f"{question} [y/N] ", end="", markup=False, highlight=False)
    try:
        answer = input()
    except EOFError:
        out.note("")
        return False
    return answer.strip().lower() in ("y", "yes")
