"""What came of a job: a stable code, words for a person, numbers for a program, and what was checked."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import Any


class OutcomeCode(StrEnum):
    """Results of work on a chip. A job that failed for another reason ends with a code of `daemon.errors`."""

    OK = "ok"
    ALREADY_PROGRAMMED = "already-programmed"
    BLANK = "blank"
    CANCELLED = "cancelled"
    CHIP_MISSING = "chip-missing"
    CHIP_REVERSED = "chip-reversed"
    CHIP_SHIFTED = "chip-shifted"
    CONSENT_NEEDED = "consent-needed"
    ERASE_MARGINAL = "erase-marginal"
    INTERRUPTED = "interrupted"
    NOT_BLANK = "not-blank"
    NOT_BLANK_LOW = "not-blank-low"
    NOT_ERASED = "not-erased"
    PIN_FAULT = "pin-fault"
    PROGRAM_FAILED = "program-failed"
    SIGNATURE_MISMATCH = "signature-mismatch"
    SUPPLY_OUT_OF_TOLERANCE = "supply-out-of-tolerance"
    UNSTABLE_READ = "unstable-read"
    VERIFY_MISMATCH = "verify-mismatch"
    WILL_NOT_ERASE = "will-not-erase"


class Verdict(StrEnum):
    """What became of one check. `not-checked` is never shown as passed."""

    PASSED = "passed"
    FAILED = "failed"
    NOT_CHECKED = "not-checked"


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that was, or could not be, looked at. `vcc_v` is the supply it was looked at with, if any."""

    name: str
    title: str
    verdict: Verdict
    words: str
    vcc_v: float | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a job ended. `summary` says what is the case with its numbers, `hint` what to do next.

    `causes` says why it failed, the likeliest first, where that was looked for (`daemon.diagnosis.report`).
    """

    code: str
    summary: str
    hint: str = ""
    checks: tuple[Check, ...] = ()
    numbers: Mapping[str, Any] = field(default_factory=dict)
    causes: tuple[Mapping[str, Any], ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return the outcome as the store keeps it and the API shows it."""
        return asdict(self)


class JobStopped(Exception):  # noqa: N818 - a verdict on a chip is a result, not an error
    """Ends a job early with a result: raised by a step, caught by the runner alone."""

    def __init__(self, code: OutcomeCode, summary: str, hint: str = "", **numbers: Any) -> None:
        super().__init__(summary)
        self.code = code
        self.summary = summary
        self.hint = hint
        self.numbers = numbers
