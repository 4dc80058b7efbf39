"""Supplies that a person sets with a jumper or a trimmer: asked for, measured where possible, confirmed."""

from daemon.jobs.context import JobContext, Question
from daemon.jobs.outcome import JobStopped, OutcomeCode
from daemon.jobs.request import Skippable
from daemon.jobs.steps.pins import chip_sits_well
from daemon.operations.supplies import How, Setting
from protocol.messages import Measured
from protocol.wire import NONE_U16

#: Whoever confirms what is not so, again and again, is a program.
_TRIES_MAX = 5
#: A supply that is off is below this (SPEC.md D27): a programmer that measures behind its switch shows it.
_OFF_MV = 500


def set_by_hand(ctx: JobContext, vcc: Setting, vpp: Setting | None) -> None:
    """See to it that the supplies among these that are set by hand are set, before they are switched on.

    A person is asked once for each new value, with the supplies off, since the chip comes out for it; then
    its pins are looked at again. `hand_set_confirmed` in the request answers for the first value of each
    supply. What stands there is measured where the programmer can: a chip is never given a wrong VPP because
    somebody said yes.

    Raises JobStopped: cancelled for a no, supply-out-of-tolerance for a value that is not right.
    """
    wanted = {
        name: setting.mv
        for name, setting in (("VCC", vcc), ("VPP", vpp))
        if setting is not None and setting.how is How.BY_HAND
    }
    if not wanted:
        return
    new = {name: mv for name, mv in wanted.items() if ctx.set_by_hand.get(name) != mv}
    said_before = ctx.request.hand_set_confirmed and not ctx.set_by_hand.keys() & new.keys()
    wrong = ""
    for _ in range(_TRIES_MAX):
        if wrong or (new and not said_before):
            ctx.socketed.power_off()
            _ask(ctx, new, wrong)
        standing = ctx.socketed.confirm(vcc.mv, vpp.mv if vpp else 0)
        wrong = _what_is_wrong(ctx, wanted, standing)
        if not wrong:
            ctx.set_by_hand.update(wanted)
            return
        if said_before:
            break
        new = wanted
    raise JobStopped(
        OutcomeCode.SUPPLY_OUT_OF_TOLERANCE,
        wrong,
        "Take the chip out, set the supply and measure it with the socket empty, and start again.",
        **{f"{name.lower()}_mv": mv for name, mv in _measured(standing).items()},
    )


def _ask(ctx: JobContext, wanted: dict[str, int], wrong: str) -> None:
    listed = " and ".join(f"{name} to {mv / 1000:.2f} V" for name, mv in wanted.items())
    words = (
        f"{wrong + '. ' if wrong else ''}The supplies are off. With the socket empty, set {listed} on the"
        " programmer and measure it; then insert the chip and confirm."
    )
    numbers = {"vcc_mv": wanted.get("VCC", 0), "vpp_mv": wanted.get("VPP", 0)}
    if not ctx.ask(Question("set-supplies", words, numbers)):
        raise JobStopped(OutcomeCode.CANCELLED, "given up: the supplies were not set")
    if Skippable.PIN_CHECK not in ctx.request.skip:
        chip_sits_well(ctx)


def _measured(standing: Measured) -> dict[str, int]:
    """Return what was measured, by supply: neither what cannot be, nor what is off."""
    values = {"VCC": standing.vcc_mv, "VPP": standing.vpp_mv}
    return {name: mv for name, mv in values.items() if _OFF_MV < mv < NONE_U16}


def _what_is_wrong(ctx: JobContext, wanted: dict[str, int], standing: Measured) -> str:
    limits = ctx.socketed.descriptor.supplies
    tolerances = {"VCC": limits.vcc_tolerance_mv, "VPP": limits.vpp_tolerance_mv}
    found = [
        f"{name} is set to {mv / 1000:.2f} V, not to the wanted {wanted[name] / 1000:.2f} V"
        for name, mv in _measured(standing).items()
        if name in wanted and abs(mv - wanted[name]) > tolerances[name]
    ]
    return "; ".join(found)
