"""Words that can be typed at a simulated bench: what they take, what they do, what comes of it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any


class NotUnderstood(Exception):  # noqa: N818 - what was typed, not an error of ours
    """What was typed makes no sense here; the message says why."""


@dataclass(frozen=True, slots=True)
class Done:
    """What came of it: words for a person, facts for a program.

    `then` is what the same hands do `after_s` real seconds later: a chip is not exchanged in no time.
    """

    words: str
    facts: Mapping[str, Any] = field(default_factory=dict)
    then: str = ""
    after_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Deed:
    """One word that can be typed, with its argument as the help shows it; `many` takes any number of them."""

    argument: str
    meaning: str
    do: Callable[[list[str], float], Done]
    many: bool = False


def whole(text: str) -> int:
    """Read a whole number. Raises `NotUnderstood`."""
    try:
        return int(text)
    except ValueError:
        raise NotUnderstood(f"`{text}` is not a whole number") from None


def number(text: str) -> float:
    """Read a number. Raises `NotUnderstood`."""
    try:
        return float(text)
    except ValueError:
        raise NotUnderstood(f"`{text}` is not a number") from None
