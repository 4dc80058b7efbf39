"""What the end of a job says about the chip, the hands, the programmer, and what to do next."""

from collections.abc import Mapping
from typing import Any

from daemon.batches.model import Finding, Means, Remedy, Verdict
from daemon.errors import Code
from daemon.jobs.outcome import OutcomeCode

#: The programmer or the line to it went away, or the daemon did.
CUT_OFF = frozenset(
    {
        OutcomeCode.INTERRUPTED, Code.LINK_LOST, Code.PROGRAMMER_GONE, Code.PORT_LOST, Code.PORT_MISSING,
        Code.PORT_WRITE_TIMEOUT, Code.PORT_CLOSED, Code.DEVICE_SILENT, Code.STEP_TIMEOUT, Code.NO_PROGRAMMER,
    }
)  # fmt: skip
_HANDS = frozenset({OutcomeCode.CHIP_MISSING, OutcomeCode.CHIP_REVERSED, OutcomeCode.CHIP_SHIFTED})
_NOT_BLANK = frozenset({OutcomeCode.NOT_BLANK, OutcomeCode.NOT_BLANK_LOW})
#: Reads that change, and pins without contact, come from a socket as often as from a chip.
_CONTACT = frozenset({OutcomeCode.PIN_FAULT, OutcomeCode.UNSTABLE_READ})


def judge(state: str, outcome: Mapping[str, Any], *, by_light: bool) -> Finding:
    """Judge a job that ended; `by_light`: its part is erased by light, so it can be tried again after that.

    `state` and `outcome` are those of the job's record.
    """
    code = str(outcome.get("code", ""))
    numbers = outcome.get("numbers") or {}
    words = str(outcome.get("summary", ""))
    worked_s = max(0.0, float(numbers.get("took_s") or 0.0) - float(numbers.get("waited_s") or 0.0))
    again = Verdict.RE_EXPOSE if by_light else Verdict.REJECT

    def found(
        means: Means, remedy: Remedy = Remedy.NONE, pile: Verdict = Verdict.REJECT, crc32: int | None = None
    ) -> Finding:
        present = code != OutcomeCode.CHIP_MISSING
        return Finding(means, code, words, remedy, pile, crc32, present, worked_s)

    if state == "succeeded":
        return found(Means.GOOD)
    if code == OutcomeCode.ALREADY_PROGRAMMED:
        return found(Means.HOLDS, crc32=int(numbers["held_crc32"]))
    if code in CUT_OFF or state == "interrupted":
        return found(Means.CUT_OFF)
    if state == "cancelled":
        return found(Means.CANCELLED)
    if code in _HANDS:
        return found(Means.HANDS)
    if code == OutcomeCode.SIGNATURE_MISMATCH:
        return found(Means.OTHER_PART, pile=Verdict.SET_ASIDE)
    if code in _NOT_BLANK:
        return found(Means.CHIP, pile=again)
    if code in _CONTACT:
        return found(Means.CHIP, Remedy.RESEAT)
    if code == OutcomeCode.PROGRAM_FAILED:
        unerased = int(numbers.get("wanted") or 0) & ~int(numbers.get("got") or 0)
        return found(Means.CHIP, Remedy.RETRY, again if unerased else Verdict.REJECT)
    if code == OutcomeCode.VERIFY_MISMATCH:
        return found(Means.CHIP, Remedy.RETRY, again)
    return found(Means.TROUBLE)
