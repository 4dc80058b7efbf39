"""Supplies for a step: what the part wants, what the programmer can make, and what a person has to set."""

from collections.abc import Sequence

from daemon.errors import BenchError, Code
from daemon.jobs.context import JobContext
from daemon.jobs.outcome import JobStopped, OutcomeCode
from daemon.jobs.steps.by_hand import set_by_hand
from daemon.operations.socketed import Asking
from daemon.operations.supplies import How, Setting, describe_supply, setting_for
from daemon.programmers.fitting import supplies_of
from protocol.messages import Measured


def look_power(ctx: JobContext) -> Measured:
    """Switch on the nominal read supply. Raises BenchError `programmer-cannot` when it cannot be made."""
    return require_power(ctx, ctx.part.supplies.vcc_read_v)


def require_power(ctx: JobContext, vcc_v: float) -> Measured:
    """Switch VCC to `vcc_v` with VPP off. Raises BenchError `programmer-cannot` when it cannot be made."""
    measured = power_at(ctx, vcc_v)
    if measured is None:
        raise _cannot(ctx, "VCC", vcc_v)
    return measured


def look_powering(ctx: JobContext) -> Asking:
    """Return the request for the nominal read supply, which may stand before others that look.

    What a person has to set is set by then. Raises BenchError `programmer-cannot` when it cannot be made.
    """
    vcc_v = ctx.part.supplies.vcc_read_v
    setting = ctx.socketed.vcc_setting(vcc_v)
    if setting is None:
        raise _cannot(ctx, "VCC", vcc_v)
    set_by_hand(ctx, setting, None)
    return ctx.socketed.powering(setting.mv)


def made_by_itself(ctx: JobContext, volts: Sequence[float]) -> list[int] | None:
    """Return VCC in mV for looks one after another; None where one cannot be made without a person."""
    settings = [ctx.socketed.vcc_setting(vcc_v) for vcc_v in volts]
    made = [setting.mv for setting in settings if setting is not None and setting.how is How.ITSELF]
    return made if len(made) == len(settings) else None


def power_at(ctx: JobContext, vcc_v: float) -> Measured | None:
    """Switch VCC to `vcc_v` with VPP off; None when this programmer cannot make it (nothing changes then)."""
    setting = ctx.socketed.vcc_setting(vcc_v)
    return None if setting is None else _switch_on(ctx, setting, None)


def program_power(ctx: JobContext) -> Measured:
    """Switch on the supplies for programming.

    Raises BenchError `programmer-cannot` when VPP cannot be made, JobStopped `consent-needed` when VCC would
    be below what the part wants and the user has not agreed.
    """
    socketed, wanted = ctx.socketed, supplies_of(ctx.part)
    vpp: Setting | None = None
    if wanted.vpp_program_mv:
        vpp = setting_for(socketed.identity.vpp, wanted.vpp_program_mv, wanted.vpp_tolerance_mv)
        if vpp is None:
            raise _cannot(ctx, "VPP", wanted.vpp_program_mv / 1000)
    vcc = setting_for(socketed.identity.vcc, wanted.vcc_program_mv, wanted.vcc_tolerance_mv)
    if vcc is None:
        vcc = _lower_vcc(ctx)
    return _switch_on(ctx, vcc, vpp)


def _switch_on(ctx: JobContext, vcc: Setting, vpp: Setting | None) -> Measured:
    set_by_hand(ctx, vcc, vpp)
    return ctx.socketed.power(vcc.mv, vpp.mv if vpp else 0)


def _lower_vcc(ctx: JobContext) -> Setting:
    wanted_v = supplies_of(ctx.part).vcc_program_mv / 1000
    nearest = ctx.socketed.vcc_setting(ctx.part.supplies.vcc_read_v)
    if nearest is None:
        raise _cannot(ctx, "VCC", wanted_v)
    words = f"{nearest.mv / 1000:.2f} V instead of the {wanted_v:.2f} V that {ctx.part.name} wants"
    if not ctx.request.allow_low_vcc:
        raise JobStopped(
            OutcomeCode.CONSENT_NEEDED,
            f"this programmer would have to program at VCC {words}",
            "Programming below the part's VCC can leave weak bits. Agree to it (allow_low_vcc), or use a"
            " programmer that makes this supply.",
            wanted_v=wanted_v,
            available_v=nearest.mv / 1000,
        )
    if not any(check.name == "program-vcc" for check in ctx.checks):
        ctx.not_checked("program-vcc", "Programming supply", f"programmed at VCC {words}, by consent")
    return nearest


def _cannot(ctx: JobContext, name: str, wanted_v: float) -> BenchError:
    identity = ctx.socketed.identity
    have = describe_supply(name, identity.vcc if name == "VCC" else identity.vpp)
    return BenchError(
        Code.PROGRAMMER_CANNOT,
        f"this programmer cannot make the {name} of {wanted_v:.2f} V that is wanted here: it has {have}",
        hint="Use a programmer that makes this voltage.",
        field="part",
        details={"supply": name, "wanted_v": wanted_v},
    )
