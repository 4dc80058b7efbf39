"""Plays `protocol/scenarios.json` against one end of the wire, host or device, in virtual time.

It knows nothing of either end but four methods, so a device of any make can be put in its place.
"""

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any, Protocol

ROOT = Path(__file__).parents[2] / "protocol"

#: More own deadlines than that between two steps means that an end does not get on.
DEADLINES_MAX = 1000


class Endpoint(Protocol):
    """One end of the wire."""

    def receive(self, data: bytes, now_s: float) -> None: ...
    def tick(self, now_s: float) -> None: ...
    def take_output(self) -> bytes: ...
    def deadline_s(self) -> float | None: ...


@dataclass(frozen=True, slots=True)
class Step:
    """What one side sends (`sent`), what the other gets of it (`arrives`), or what the host's user does."""

    at_ms: int
    side: str
    do: str
    sent: bytes
    arrives: bytes
    words: str


@dataclass(frozen=True, slots=True)
class Scenario:
    """A timed exchange, whom it is for (host, device, both), and how it must end."""

    name: str
    ends: str
    words: str
    shows: tuple[str, ...]
    pulses: int
    completed: tuple[int, ...]
    host_state: str
    steps: tuple[Step, ...]

    def is_for(self, side: str) -> bool:
        return self.ends in (side, "both")


def load_book() -> dict[str, Any]:
    """Return the file as it is."""
    book: dict[str, Any] = json.loads((ROOT / "scenarios.json").read_text(encoding="utf-8"))
    return book


def scenarios(side: str | None = None) -> tuple[Scenario, ...]:
    """Return the scenarios for one side, or all."""
    found: list[Scenario] = []
    for raw in load_book()["scenarios"]:
        steps = tuple(
            Step(
                step["at_ms"],
                step["from"],
                step["do"],
                bytes.fromhex(step["hex"]),
                bytes.fromhex(step["arrives"]),
                step["words"],
            )
            for step in raw["steps"]
        )
        scenario = Scenario(
            raw["name"],
            raw["for"],
            raw["words"],
            tuple(raw["shows"]),
            raw["pulses"],
            tuple(raw["completed"]),
            raw["host_state"],
            steps,
        )
        if side is None or scenario.is_for(side):
            found.append(scenario)
    return tuple(found)


def play(
    scenario: Scenario,
    end: Endpoint,
    side: str,
    user: Callable[[Step, float], None] = lambda step, now_s: None,
    cut: Callable[[bytes], Iterator[bytes]] = lambda data: iter((data,)),
) -> None:
    """Feed `end` all that reaches its side and hold every byte that it sends, and when, against the steps.

    `user` carries out the steps of the host's user; `cut` divides what arrives. Raises AssertionError.
    """
    now_s = 0.0
    for at_ms, group in groupby(scenario.steps, key=lambda step: step.at_ms):
        steps = list(group)
        where = f"{scenario.name} at {at_ms} ms"
        for _ in range(DEADLINES_MAX):
            deadline_s = end.deadline_s()
            if deadline_s is None or round(deadline_s * 1000) > at_ms:
                break
            now_s = max(now_s, deadline_s)
            end.tick(now_s)
            if round(now_s * 1000) < at_ms:
                early = end.take_output()
                assert not early, f"{scenario.name}: {early.hex()} at {now_s * 1000:.3f} ms is too early"
        else:
            raise AssertionError(f"{where}: its deadline does not move")
        now_s = max(now_s, at_ms / 1000)
        expected: list[Step] = []
        for step in steps:
            if step.side == side:
                expected.append(step)
                continue
            _compare(end, expected, where)
            if step.side == "user":
                user(step, now_s)
            else:
                for piece in cut(step.arrives):
                    end.receive(piece, now_s)
        _compare(end, expected, where)


def _compare(end: Endpoint, expected: list[Step], where: str) -> None:
    sent = end.take_output()
    wanted = b"".join(step.sent for step in expected)
    assert sent == wanted, (
        f"{where}: sent {sent.hex() or 'nothing'}, expected {wanted.hex() or 'nothing'}"
        f" ({'; '.join(step.words for step in expected)})"
    )
    expected.clear()
