"""One line of the doctor's report."""

from dataclasses import dataclass
from enum import StrEnum


class Grade(StrEnum):
    """How it stands with one thing."""

    OK = "ok"
    ATTENTION = "attention"
    """It works, but somebody should know."""
    PROBLEM = "problem"


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found about `subject`; `remedy` is what to do, "" for nothing."""

    subject: str
    grade: Grade
    words: str
    remedy: str = ""

    def to_json(self) -> dict[str, str]:
        """Return the finding for `--json`."""
        return {
            "subject": self.subject,
            "grade": self.grade.value,
            "words": self.words,
            "remedy": self.remedy,
        }


def ok(subject: str, words: str) -> Finding:
    """Find nothing to complain about."""
    return Finding(subject, Grade.OK, words)


def attention(subject: str, words: str, remedy: str = "") -> Finding:
    """Find something to know."""
    return Finding(subject, Grade.ATTENTION, words, remedy)


def problem(subject: str, words: str, remedy: str) -> Finding:
    """Find something in the way of work."""
    return Finding(subject, Grade.PROBLEM, words, remedy)
