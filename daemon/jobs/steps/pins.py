"""Looking at every pin of the socket with small currents, without power, and saying what is wrong."""

from daemon.diagnosis import SHIFTS, Seating, judge_seating
from daemon.errors import BenchError, Code
from daemon.jobs.context import JobContext
from daemon.jobs.outcome import JobStopped, OutcomeCode
from daemon.jobs.request import Skippable
from daemon.operations.refusals import fault_words
from daemon.operations.socketed import Socketed
from daemon.programmers.fitting import fit_directly
from protocol.wire import Capability

PINS, PINS_TITLE = "pin-check", "Pin check"


def chip_sits_well(ctx: JobContext) -> bool:
    """Return True when every pin is as it should be, False where this programmer cannot tell.

    Raises JobStopped with what is wrong, which is then also among the checks. The supplies must be off.
    """
    states = ctx.socketed.contact()
    if states is None:
        return False
    seating = judge_seating(ctx.socketed.fit, states)
    if seating.good:
        return True
    rows = rows_too_high(ctx) if seating.missing else 0
    stopped = _too_high(ctx, rows) if rows else verdict_on(ctx, seating)
    ctx.failed(PINS, PINS_TITLE, stopped.summary)
    raise stopped


def still_there(ctx: JobContext) -> None:
    """Look at the pins once more: a chip that was pulled meanwhile would have read like a blank one.

    Boards that feel their socket stop by themselves, but only while a supply is on. The supplies are off
    afterwards. Raises JobStopped, and BenchError `device-fault` when the board has taken them off for a fault
    meanwhile: what was read before is then doubtful.
    """
    can = Capability.CONTACT in ctx.socketed.identity.capabilities
    if not can or Skippable.PIN_CHECK in ctx.request.skip:
        return
    ctx.socketed.power_off()
    if faults := ctx.socketed.session.faults:
        raise BenchError(
            Code.DEVICE_FAULT,
            f"the programmer has stopped meanwhile: {fault_words(faults)}",
            hint="See that the chip sits firmly and the socket stays closed, and start again.",
            details={"faults": int(faults)},
        )
    chip_sits_well(ctx)


def verdict_on(ctx: JobContext, seating: Seating) -> JobStopped:
    """Return what is to be said of a chip that does not sit as it should."""
    if seating.missing:
        return JobStopped(
            OutcomeCode.CHIP_MISSING,
            "no chip touches the socket",
            f"Insert the {ctx.part.name} with pin 1 at the socket's mark, close the lever, and start again."
            f" If it is in, its ground ({_ground(ctx)}) makes no contact, and without it no pin shows.",
        )
    if seating.reversed:
        return JobStopped(
            OutcomeCode.CHIP_REVERSED,
            "the chip is in backwards; it was not powered",
            "Open the socket, turn the chip by half a turn (the notch marks pin 1's end), and start again.",
        )
    listed = "; ".join(fault.words for fault in seating.faults)
    return JobStopped(
        OutcomeCode.PIN_FAULT,
        listed,
        "Take the chip out, straighten or clean these pins, look into the socket, and start again.",
        pins=[
            {"pin": fault.pin, "signal": fault.signal, "state": fault.state.name.lower().replace("_", "-")}
            for fault in seating.faults
        ],
    )


def _ground(ctx: JobContext) -> str:
    pins = ctx.part.ground_pins
    return f"pin{'s' if len(pins) > 1 else ''} {', '.join(map(str, pins))}"


def rows_too_high(ctx: JobContext) -> int:
    """Look for the chip at higher places of the socket, again without power; 0 when it is at none.

    The programmer then has the part set up at another place than the job's.
    """
    if ctx.socketed.fit.adapter != "direct":
        return 0
    room = (ctx.socketed.identity.socket_pins - len(ctx.part.pins)) // 2
    for rows in SHIFTS[:room]:
        fit = fit_directly(ctx.part, ctx.socketed.identity, rows_up=rows)
        try:
            elsewhere = Socketed(ctx.socketed.session, fit)
            elsewhere.set_up()
        except BenchError:
            # This programmer has no ground there, so it cannot look there.
            continue
        states = elsewhere.contact()
        if states is not None and judge_seating(fit, states).good:
            return rows
    return 0


def _too_high(ctx: JobContext, rows: int) -> JobStopped:
    return JobStopped(
        OutcomeCode.CHIP_SHIFTED,
        f"the chip sits {rows} row{'s' if rows > 1 else ''} too far towards the socket's pin 1",
        f"A {len(ctx.part.pins)}-pin chip goes to the bottom end of the socket. Move it, and start again.",
        shifted_rows=rows,
    )
