"""What a step of a job has in its hands."""

from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.images.fit import FittedContent
from daemon.jobs.outcome import Check, Verdict
from daemon.jobs.request import JobRequest
from daemon.operations.socketed import Socketed

if TYPE_CHECKING:
    from daemon.drawer.examination import Examination
    from daemon.drawer.lookup import Match


@dataclass(frozen=True, slots=True)
class Question:
    """What a waiting job asks of the person at the bench."""

    code: str
    words: str
    numbers: dict[str, Any] = field(default_factory=dict)


class OpenQuestion(Protocol):
    """A question that stays open while the worker looks for itself whether it has been met."""

    def poll(self) -> bool | None:
        """Return what a person has answered since the last call, None for nothing."""

    def reword(self, question: Question) -> None:
        """Say something else, or more."""


@dataclass(frozen=True, slots=True)
class Done:
    """What a step that went well reports."""

    words: str
    numbers: dict[str, Any] = field(default_factory=dict)
    skipped: bool = False


class Progress(Protocol):
    """Where a step says how far it is."""

    def __call__(self, done_bytes: int, total_bytes: int) -> None:
        """Note that `done_bytes` of `total_bytes` are done."""


@dataclass(slots=True)
class JobContext:
    """One attempt at one job, while it runs."""

    request: JobRequest
    part: Part
    socketed: Socketed
    catalogue: Catalogue
    content: FittedContent | None
    progress: Progress
    #: Blocks until a person has answered; True for yes.
    ask: Callable[[Question], bool]
    #: Asks, and lets the step go on looking; closed when the step has seen for itself what it waits for.
    ask_and_look: Callable[[Question], AbstractContextManager[OpenQuestion]]
    #: Keeps what a read brought back and returns its digest.
    keep: Callable[[bytes], str]
    #: True when this attempt continues another that was cut off: the chip's state is unknown.
    resumes: bool = False
    #: The bytes that the attempt before this one knew to be done: pairs of the first and one behind the last.
    acknowledged: tuple[tuple[int, int], ...] = ()
    #: Notes for a later attempt which bytes are done.
    acknowledge: Callable[[tuple[tuple[int, int], ...]], None] = lambda _stretches: None
    #: What was said beforehand of this job's time.
    estimate: Mapping[str, Any] = field(default_factory=dict)
    #: What a person has set by hand in this job, mV, by supply.
    set_by_hand: dict[str, int] = field(default_factory=dict)
    checks: list[Check] = field(default_factory=list)
    numbers: dict[str, Any] = field(default_factory=dict)
    #: Why the job failed, likeliest first, as its outcome shows it.
    causes: tuple[dict[str, Any], ...] = ()
    #: Says which images of the bench are in some content.
    find: Callable[[bytes], "tuple[Match, ...]"] = lambda _content: ()
    #: Returns content of the bench with this CRC-32 and size in bytes, None if there is none.
    recall: Callable[[int, int], bytes | None] = lambda _crc32, _size_bytes: None
    #: What an examine job has found out so far.
    examination: "Examination | None" = None
    #: What the job came to and what to do next, in words, where the kind of job alone does not say it.
    summary: str = ""
    hint: str = ""

    def passed(self, name: str, title: str, words: str, vcc_v: float | None = None) -> None:
        """Record a check that passed."""
        self.checks.append(Check(name, title, Verdict.PASSED, words, vcc_v))

    def failed(self, name: str, title: str, words: str, vcc_v: float | None = None) -> None:
        """Record a check that failed."""
        self.checks.append(Check(name, title, Verdict.FAILED, words, vcc_v))

    def not_checked(self, name: str, title: str, words: str, vcc_v: float | None = None) -> None:
        """Record what could not be, or was not to be, looked at."""
        self.checks.append(Check(name, title, Verdict.NOT_CHECKED, words, vcc_v))

    def words_of(self, start_bytes: int, length_bytes: int | None) -> tuple[int, int]:
        """Return first word and count of a range of bytes, whole words, within the part."""
        size = self.part.word_bytes
        end_bytes = self.part.size_bytes if length_bytes is None else start_bytes + length_bytes
        return start_bytes // size, -(-end_bytes // size) - start_bytes // size

    def supply_checks(self) -> tuple[float, ...]:
        """Return the VCC values at which this job verifies, volts."""
        return self.request.supply_checks_v or self.part.supplies.supply_checks_v
