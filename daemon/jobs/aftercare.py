"""What follows a job that failed: the chip is looked at once more, harmlessly, and the causes are told."""

from collections.abc import Mapping
from typing import Any

import structlog

from daemon.errors import BenchError, Code
from daemon.jobs.context import JobContext
from daemon.jobs.outcome import OutcomeCode
from daemon.programmers.session import StoppedError

_log = structlog.get_logger(__name__)

#: A failed job may take so much longer to say why.
BUDGET_S = 2.0
#: What is worth a diagnosis: verdicts on a chip, and a programmer that tells of its supplies.
_DIAGNOSED = frozenset(
    {
        OutcomeCode.CHIP_MISSING,
        OutcomeCode.CHIP_REVERSED,
        OutcomeCode.CHIP_SHIFTED,
        OutcomeCode.NOT_BLANK,
        OutcomeCode.NOT_BLANK_LOW,
        OutcomeCode.NOT_ERASED,
        OutcomeCode.PIN_FAULT,
        OutcomeCode.PROGRAM_FAILED,
        OutcomeCode.SIGNATURE_MISMATCH,
        OutcomeCode.SUPPLY_OUT_OF_TOLERANCE,
        OutcomeCode.UNSTABLE_READ,
        OutcomeCode.VERIFY_MISMATCH,
        Code.DEVICE_FAULT,
        Code.DEVICE_REFUSED,
    }
)


def causes_of(
    ctx: JobContext | None,
    code: str,
    numbers: Mapping[str, Any] | None,
    budget_s: float = BUDGET_S,
    *,
    asked: bool = False,
) -> tuple[dict[str, Any], ...]:
    """Return why the job failed, likeliest first; () where that is no question, or cannot be looked at.

    Takes about `budget_s` seconds at most. The job's own verdict stands whatever happens here. `asked`: the
    diagnosis is the job itself, and its errors are its own; () then says that nothing is wrong.
    """
    if ctx is None or code not in _DIAGNOSED or not ctx.socketed.session.alive:
        return ()
    from daemon.diagnosis.gathering import gather
    from daemon.diagnosis.report import causes_from

    try:
        evidence = gather(ctx, code, dict(numbers or {}), budget_s)
        return causes_from(evidence, ctx.catalogue, asked=asked)
    except (BenchError, StoppedError) as error:
        if asked:
            raise
        _log.warning("the cause could not be looked for", reason=str(error))
    except Exception:
        _log.exception("the cause could not be worked out")
    return ()
