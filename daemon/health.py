"""Whether a bench can work."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Health:
    """Whether the bench can work; `problems` says in words what stands in the way.

    `programmers` counts those that answer now.
    """

    ready: bool
    problems: tuple[str, ...]
    free_bytes: int
    programmers: int
