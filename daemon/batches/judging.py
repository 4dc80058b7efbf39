"""What the end of a job says about the chip, the hands, the programmer, and what to do next."""

from collections.abc import Mapping
from typing import Any

from daemon.batches.model import Finding, Means, Remedy, Verdict
from daemon.errors import Code
from daemon.jobs.outcome import OutcomeCode
from protocol.wire import Fault

#: The programmer or the line to it went away, or the daemon did.
CUT_OFF = frozenset(
    {
        OutcomeCode.INTERRUPTED, Code.LINK_LOST, Code.PROGRAMMER_GONE, Code.PORT_LOST, Code.PORT_MISSING,
        Code.PORT_WRITE_TIMEOUT, Code.PORT_CLOSED, Code.DEVICE_SILENT, Code.STEP_TIMEOUT, Code.NO_PROGRAMMER,
    }
)  # fmt: skip
_HANDS = frozenset({OutcomeCode.CHIP_MISSING, OutcomeCode.CHIP_REVERSED, OutcomeCode.CHIP_SHIFTED})
_NOT_BLANK = frozenset({OutcomeCode.NOT_BLANK, OutcomeCode.NOT_BLANK_LOW})
#: A chip that is shorted, or sits wrong: other chips will show whether it is the programmer.
_OVER_CURRENT = Fault.VCC_OVER_CURRENT | Fault.VPP_OVER_CURRENT
#: Reads that change, and pins without contact, come from a socket as often as from a chip.
_CONTACT = frozenset({OutcomeCode.PIN_FAULT, OutcomeCode.UNSTABLE_READ})


def judge(state: str, outcome: Mapping[str, Any], *, by_light: bool) -> Finding:
    """Judge a job that ended; `by_light`: its part is erased by light, so it can be tried again after that.

    `state` and `outcome` are those of the job's record.
    """
    code = str(outcome.get("code", ""))
    numbers: Mapping[str, Any] = outcome.get("numbers") or {}
    worked_s = max(0.0, float(numbers.get("took_s") or 0.0) - float(numbers.get("waited_s") or 0.0))
    again = Verdict.RE_EXPOSE if by_light else Verdict.REJECT
    means, remedy, pile = _of_end(state, code) or _of_chip(code, numbers, again) or _of_fault(code, numbers)
    held = int(numbers["held_crc32"]) if means is Means.HOLDS else None
    present = code != OutcomeCode.CHIP_MISSING
    return Finding(means, code, str(outcome.get("summary", "")), remedy, pile, held, present, worked_s)


_Judged = tuple[Means, Remedy, Verdict]


def _of_end(state: str, code: str) -> _Judged | None:
    """Judge what says nothing bad of the chip."""
    means = None
    if state == "succeeded":
        means = Means.GOOD
    elif code == OutcomeCode.ALREADY_PROGRAMMED:
        means = Means.HOLDS
    elif code in CUT_OFF or state == "interrupted":
        means = Means.CUT_OFF
    elif state == "cancelled":
        means = Means.CANCELLED
    elif code in _HANDS:
        means = Means.HANDS
    return (means, Remedy.NONE, Verdict.REJECT) if means else None


def _of_chip(code: str, numbers: Mapping[str, Any], again: Verdict) -> _Judged | None:
    """Judge a verdict on the chip; `again` is the pile of chips that an erase may cure."""
    if code == OutcomeCode.SIGNATURE_MISMATCH:
        return Means.OTHER_PART, Remedy.NONE, Verdict.SET_ASIDE
    if code in _NOT_BLANK:
        return Means.CHIP, Remedy.NONE, again
    if code in _CONTACT:
        return Means.CHIP, Remedy.RESEAT, Verdict.REJECT
    if code == OutcomeCode.PROGRAM_FAILED:
        not_erased = int(numbers.get("wanted") or 0) & ~int(numbers.get("got") or 0)
        return Means.CHIP, Remedy.RETRY, again if not_erased else Verdict.REJECT
    if code == OutcomeCode.VERIFY_MISMATCH:
        return Means.CHIP, Remedy.RETRY, again
    return None


def _of_fault(code: str, numbers: Mapping[str, Any]) -> _Judged:
    """Judge what the programmer did not like."""
    faults = Fault(int(numbers.get("faults") or 0)) if code == Code.DEVICE_FAULT else Fault.NONE
    if Fault.SOCKET_OPENED in faults:
        return Means.TAKEN_OUT, Remedy.NONE, Verdict.REJECT
    if faults & _OVER_CURRENT:
        return Means.CHIP, Remedy.RESEAT, Verdict.REJECT
    return Means.TROUBLE, Remedy.NONE, Verdict.REJECT
