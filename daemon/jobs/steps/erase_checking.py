"""The step that says whether light has erased a chip: counts at two supplies, and what they mean."""

from daemon.erasure.verdict import Counts, EraseState, EraseVerdict, judge
from daemon.jobs.choices import ERASE_CHECK_READS
from daemon.jobs.context import Done, JobContext
from daemon.jobs.light_so_far import LightSoFar
from daemon.jobs.outcome import JobStopped, OutcomeCode
from daemon.jobs.steps.power import look_power, power_at

_NAME, _TITLE = "erase-check", "Erase check"
_STEP_MV = 100
_CODES = {
    EraseState.MARGINAL: OutcomeCode.ERASE_MARGINAL,
    EraseState.NOT_ERASED: OutcomeCode.NOT_ERASED,
    EraseState.WILL_NOT_ERASE: OutcomeCode.WILL_NOT_ERASE,
}
_MIND = "Keep the lamp's box shut: UV-C burns eyes and skin."
_HINTS = {
    EraseState.MARGINAL: "Expose it longer, then check again. It may read blank on a board and fail later."
    f" {_MIND}",
    EraseState.NOT_ERASED: f"Clean the window, expose it longer, then check again. {_MIND}",
    EraseState.WILL_NOT_ERASE: "Clean the window and try another lamp; if the bits stay, the chip is bad.",
}


def erase_check(ctx: JobContext) -> Done:
    """Count the bits left at the nominal and at the lowest supply that part and programmer allow.

    Raises JobStopped with the statement for every chip that is not erased with margin, and BenchError
    `erase-series-impossible` when the count contradicts earlier ones.
    """
    nominal_v = ctx.part.supplies.vcc_read_v
    look_power(ctx)
    nominal = _counts(ctx, nominal_v)
    low_v = _power_lowest(ctx, nominal_v)
    low = None if low_v is None else _counts(ctx, low_v)
    if low is None:
        words = "this programmer cannot read below the nominal supply, where marginal bits show"
        ctx.not_checked(f"{_NAME}-low", f"{_TITLE}, low supply", words)
    counted = low or nominal
    light = ctx.request.light or LightSoFar.model_validate({})
    outlook = light.with_count(
        counted.median,
        counted.vcc_v,
        ERASE_CHECK_READS,
        part_bits=ctx.part.words * ctx.part.width_bits,
        lowest_v=counted.vcc_v,
    )
    verdict = judge(nominal, low, outlook)
    ctx.numbers.update(
        bits=counted.median,
        vcc_v=counted.vcc_v,
        reads=ERASE_CHECK_READS,
        bits_nominal=nominal.median,
        erase_state=verdict.state.value,
        more_lit_s=None if verdict.more_lit_s is None else round(verdict.more_lit_s, 1),
        evidence=list(verdict.evidence),
    )
    if light.exposure is not None and not light.effective_s:
        return _start(ctx, counted)
    return _state(ctx, verdict, counted.vcc_v)


def _start(ctx: JobContext, counted: Counts) -> Done:
    """Tell how many bits there are to erase: nothing can be judged before any light."""
    words = f"{counted.median:,} bits to erase, counted at {counted.vcc_v:.2f} V before any light"
    ctx.passed(_NAME, _TITLE, words, counted.vcc_v)
    ctx.summary = f"{ctx.part.name}: {words}"
    return Done(words)


def _state(ctx: JobContext, verdict: EraseVerdict, vcc_v: float) -> Done:
    if verdict.state is EraseState.ERASED:
        ctx.passed(_NAME, _TITLE, verdict.words, vcc_v)
        return Done(verdict.words)
    ctx.failed(_NAME, _TITLE, verdict.words, vcc_v)
    raise JobStopped(_CODES[verdict.state], f"{ctx.part.name}: {verdict.words}", _HINTS[verdict.state])


def _counts(ctx: JobContext, vcc_v: float) -> Counts:
    asking = ctx.socketed.counting(0, ctx.part.words)
    counts = ctx.socketed.together(*[asking] * ERASE_CHECK_READS)
    return Counts(vcc_v, tuple(count.bits for count in counts))


def _power_lowest(ctx: JobContext, nominal_v: float) -> float | None:
    """Switch to the lowest supply that part and programmer allow; None when none is below the nominal one."""
    low_mv = ctx.socketed.descriptor.supplies.vcc_low_mv
    for vcc_mv in range(low_mv, round(nominal_v * 1000) - _STEP_MV + 1, _STEP_MV):
        setting = ctx.socketed.vcc_setting(vcc_mv / 1000)
        if setting is not None and low_mv <= setting.mv < nominal_v * 1000:
            return setting.mv / 1000 if power_at(ctx, setting.mv / 1000) is not None else None
    return None
