"""Steps of a job as they are shown: kept up to date by events, one line each without a terminal."""

import io
from typing import Any

import pytest
from rich.console import Console

from cli.client import Event
from cli.live import JobLines, LiveView, PlainView, StepLine
from cli.out import Out

JOB: dict[str, Any] = {
    "state": "running",
    "steps": [
        {"name": "connect", "title": "Connect", "state": "done", "result": {"words": "set up"}},
        {"name": "program", "title": "Program", "state": "pending"},
        {"name": "verify", "title": "Verify", "state": "pending"},
    ],
}


def progress(done: int, eta_s: float = 3.2) -> Event:
    inner = {
        "step": "program", "title": "Program", "state": "running",
        "done_bytes": done, "total_bytes": 65536, "result": None, "eta_s": eta_s,
    }  # fmt: skip
    return Event(1, "job-progress", {"data": inner})


def ended(name: str, state: str, words: str) -> Event:
    inner = {"step": name, "title": name.title(), "state": state, "result": {"words": words}}
    return Event(2, "job-step", {"data": inner})


def test_events_move_the_steps() -> None:
    lines = JobLines.of(JOB)
    changed = lines.take(progress(16384))
    assert changed is lines.steps["program"]
    assert changed.bytes_words == "16 of 64 KiB"
    lines.take(Event(3, "job-state", {"data": {"from": "running", "state": "waiting"}}))
    assert lines.state == "waiting"
    assert lines.take(Event(4, "programmer-renamed", {"data": {}})) is None


def test_without_a_terminal_each_step_gets_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    lines = JobLines.of(JOB)
    with PlainView(Out(), lines) as view:
        for event in (
            progress(100),
            ended("program", "done", "all words"),
            ended("verify", "failed", "differs"),
        ):
            view.update(lines.take(event))
    shown = capsys.readouterr().out.splitlines()
    assert [line.split(maxsplit=1)[1] for line in shown] == [
        "Connect      set up",
        "Program      all words",
        "Verify       failed",
    ]


def test_with_json_nothing_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    lines = JobLines.of(JOB)
    with PlainView(Out(json=True), lines):
        pass
    assert capsys.readouterr().out == ""


def test_on_a_terminal_a_running_step_has_a_bar_and_the_time_that_is_left() -> None:
    out = Out()
    out.plain = Console(file=io.StringIO(), force_terminal=True, width=100)
    lines = JobLines.of(JOB)
    lines.take(progress(32768))
    console = Console(file=io.StringIO(), width=100)
    console.print(LiveView(out, lines).render())
    drawn = console.file.getvalue()  # type: ignore[attr-defined]
    assert "32 of 64 KiB" in drawn
    assert "3.2 s left" in drawn
    assert "set up" in drawn


def test_odd_sizes_are_told_in_bytes() -> None:
    assert StepLine("read", "Read", done_bytes=10, total_bytes=1000).bytes_words == "10 of 1,000 bytes"
    assert StepLine("read", "Read").bytes_words == ""
