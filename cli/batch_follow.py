"""Following a batch to its end: events shown, keys passed on, a bell if wanted, Ctrl-C pauses."""

import contextlib
import queue
import sys
import threading
import time
from typing import Any

from cli.batch_view import BatchScreen, screen_for
from cli.client import BenchClient, Event
from cli.exit_codes import Exit
from cli.failure import Failure
from cli.out import Out, time_words

OVER = frozenset({"finished", "ended"})
_OURS = frozenset({"batch-state", "batch-chip"})
#: What a `batch-state` event tells.
_FACTS = ("number", "state", "phase", "why", "instruction", "made", "total", "counts", "job_id")
_RECONNECTS = 5
_PAUSE_S = 0.3
_KEYS = {"p": "pause", "r": "reject", "c": "count", "y": "yes", "n": "no"}
#: What Enter alone means, by what is asked for.
_ENTER = {"label": "label-on", "question": "yes", "paused": "resume"}


class BatchFollower:
    """Shows one batch until it is over, or is paused and nobody is there to resume it."""

    def __init__(self, client: BenchClient, out: Out, batch: dict[str, Any], *, bell: bool = False) -> None:
        self._client = client
        self._out = out
        self._path = f"/v1/batches/{batch['id']}"
        self._batch = batch
        self._bell = bell
        self._last_id: int | None = None
        self._interactive = sys.stdin.isatty() and not out.json
        self._typed: queue.SimpleQueue[str] = queue.SimpleQueue()
        self.interrupted = False
        """Whether Ctrl-C was pressed: the batch was paused then."""

    def to_the_end(self) -> dict[str, Any]:
        """Follow the batch and return it as it stands in the end."""
        if self._interactive:
            threading.Thread(target=self._read_keys, name="keys", daemon=True).start()
        with screen_for(self._out, keys=self._interactive) as screen:
            screen.show(self._batch)
            try:
                self._watch(screen)
            except KeyboardInterrupt:
                self.interrupted = True
                with contextlib.suppress(Failure):
                    self._act("pause")
                self._refresh(screen)
        return self._batch

    def _watch(self, screen: BatchScreen) -> None:
        failures = 0
        while not self._is_done():
            try:
                self._read_stream(screen)
            except Failure as failure:
                failures += 1
                if failure.status is not Exit.UNREACHABLE or failures > _RECONNECTS:
                    raise
                time.sleep(_PAUSE_S)

    def _is_done(self) -> bool:
        state = self._batch["state"]
        return state in OVER or (state == "paused" and not self._interactive and not self._batch["job_id"])

    def _read_stream(self, screen: BatchScreen) -> None:
        self._refresh(screen)
        if self._is_done():
            return
        with contextlib.closing(self._client.events("/v1/events", self._last_id)) as events:
            for event in events:
                self._last_id = event.id or self._last_id
                self._take(event, screen)
                self._do_typed(screen)
                if self._is_done():
                    return

    def _take(self, event: Event, screen: BatchScreen) -> None:
        inner = event.data.get("data") or {}
        if event.type in _OURS and inner.get("batch_id") == self._batch["id"]:
            self._out.line({"id": event.id, "type": event.type, **inner})
            if event.type == "batch-chip":
                screen.chip(inner)
                self._ring(bool(inner["good"]))
            else:
                # One comes after each chip, too.
                self._refresh(screen)
        elif event.type == "job-progress" and event.data.get("job_id") == self._batch["job_id"]:
            left = f", {time_words(inner['eta_s'])} left" if inner.get("eta_s") is not None else ""
            screen.progress(f"{inner.get('title', '')}{left}")
        elif event.type in ("start", "gap"):
            # From here on nothing is missed; what was before, a program must be told as well.
            self._refresh(screen)
            facts = {name: self._batch[name] for name in _FACTS}
            self._out.line({"id": event.id, "type": "batch-state", "batch_id": self._batch["id"], **facts})

    def _refresh(self, screen: BatchScreen) -> None:
        self._batch = self._client.get(self._path)
        screen.show(self._batch)

    def _ring(self, good: bool) -> None:
        """Sound the terminal's bell: once for good, three times for anything else."""
        if self._bell and self._out.notes.is_terminal:
            for _ in range(1 if good else 3):
                self._out.notes.bell()

    # Keys

    def _read_keys(self) -> None:
        # A line at a time: this works on every terminal, and needs nothing to be put back afterwards.
        for line in sys.stdin:
            self._typed.put(line.strip().lower())
            self._do_typed(None)

    def _do_typed(self, screen: BatchScreen | None) -> None:
        with contextlib.suppress(queue.Empty):
            while True:
                key = self._typed.get_nowait()
                code = self._batch["instruction"]["code"]
                act = _KEYS.get(key) if key else _ENTER.get(code, "chip-in")
                if act is None:
                    continue
                try:
                    self._act(act)
                except Failure as failure:
                    self._out.note(failure.message, "yellow")
                if screen is not None:
                    self._refresh(screen)

    def _act(self, act: str) -> None:
        self._client.post(f"{self._path}/acts", {"act": act})


def status_of_batch(batch: dict[str, Any]) -> Exit:
    """Return the exit status that a batch calls for: whether every set is made, and if not, why."""
    if batch["state"] == "finished":
        return Exit.DONE
    if batch["state"] == "paused" and batch["why"] == "rejects":
        return Exit.NEGATIVE
    return Exit.BROKEN_OFF
