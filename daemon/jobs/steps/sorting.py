"""The last step of an examination: say what it came to, and choose the pile."""

from daemon.drawer.examination import Examination
from daemon.drawer.piles import TITLES
from daemon.drawer.report import finals_of, report_on
from daemon.drawer.trials import lowest_v, with_low_look
from daemon.jobs.context import Done, JobContext
from daemon.jobs.steps.examining import examination_of, use
from daemon.jobs.steps.power import power_at

_LOW, _LOW_TITLE = "blank-check-low", "Blank check, low supply"


def sort(ctx: JobContext) -> Done:
    """Say what the chip is, what it holds and where it goes."""
    exam = examination_of(ctx)
    if exam.blank and not exam.unstable and not exam.over_current:
        _look_low(ctx, exam)
    report = report_on(exam)
    ctx.numbers.update(report.numbers)
    ctx.summary, ctx.hint = report.summary, report.hint
    words = f"{TITLES[report.sorted.pile]}: {report.sorted.reason}"
    return Done(words, {"pile": report.sorted.pile.value})


def _look_low(ctx: JobContext, exam: Examination) -> None:
    """Count what is not blank at the lowest supply that all it can be are made for.

    Only such a look says that a chip is erased; the better it is known, the lower the look.
    """
    parts = [each.part for each in finals_of(exam)]
    if not parts:
        return
    widest = max(exam.observations, key=lambda seen: len(seen.data)).trial
    own = [seen.trial for seen in exam.observations if parts[0] in seen.trial.members]
    trial = own[0] if exam.answered and own else widest
    low_v, nominal_v = max(map(lowest_v, parts)), trial.part.supplies.vcc_read_v
    if low_v >= nominal_v:
        return
    use(ctx, with_low_look(trial.part, low_v))
    if power_at(ctx, low_v) is None:
        words = f"this programmer cannot read at {low_v:.2f} V, where bits that are nearly erased would show"
        ctx.not_checked(_LOW, _LOW_TITLE, words, low_v)
        return
    exam.low_bits, exam.low_v = ctx.socketed.blank(0, trial.part.words).bits, low_v
    ctx.socketed.power_off()
    if exam.low_bits:
        ctx.failed(_LOW, _LOW_TITLE, f"{exam.low_bits:,} bits read 0", low_v)
    else:
        ctx.passed(_LOW, _LOW_TITLE, "every bit reads as erased", low_v)
