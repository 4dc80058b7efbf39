"""The step that looks for what is wrong with a chip, without altering it."""

from daemon.diagnosis.report import SURE
from daemon.jobs.aftercare import causes_of
from daemon.jobs.context import Done, JobContext
from daemon.jobs.outcome import OutcomeCode

#: On demand there is time to read all of most chips several times.
_BUDGET_S = 60.0


def diagnose(ctx: JobContext) -> Done:
    """Look at pins and content in harmless ways and weigh what could be wrong."""
    code = OutcomeCode.VERIFY_MISMATCH if ctx.content is not None else OutcomeCode.NOT_BLANK
    causes = causes_of(ctx, code, {}, _BUDGET_S, asked=True)
    ctx.causes = causes
    if not causes:
        ctx.summary = f"{ctx.part.name}: nothing wrong was seen"
        return Done("nothing wrong was seen")
    first = causes[0]
    sure = first["probability"] >= SURE
    if first["code"] == "unknown" or not sure:
        names = "; ".join(f"{each['words']} ({each['probability']:.0%})" for each in causes[:3])
        ctx.summary = f"{ctx.part.name}: cannot tell for certain: {names}"
    else:
        ctx.summary = f"{ctx.part.name}: {first['words']}"
    ctx.hint = str(first["advice"])
    return Done(str(first["words"]), {"code": first["code"], "probability": first["probability"]})
