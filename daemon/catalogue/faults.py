"""One thing wrong with a part, and the check that a value is there at all."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from daemon.catalogue.model import Part


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with a part: dotted key, reason, and the words that would have been valid there."""

    key: str
    reason: str
    given: str = ""
    choices: tuple[str, ...] = ()


def missing(part: "Part", table: str, names: Iterable[str]) -> Iterator[Fault]:
    """Blame every one of `names` in `table` that has no value."""
    for name in names:
        if getattr(getattr(part, table), name) is None:
            yield Fault(f"{table}.{name}", "is missing, and this part needs it")
