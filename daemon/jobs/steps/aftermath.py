"""What is looked at when programming has failed: VPP at rest, with the chip in its place."""

from daemon.catalogue.model import Part
from daemon.errors import BenchError
from daemon.jobs.context import JobContext
from daemon.programmers.session import StoppedError
from protocol.wire import NONE_U16, Capability, Fault


def vpp_afterwards_v(ctx: JobContext) -> float | None:
    """Switch the programming supplies on once more and return VPP as measured, volts; then they are off.

    None for a part without VPP, a programmer that cannot measure it or does not answer any more, and when the
    job is stopped meanwhile: its verdict stands.
    """
    if (
        not ctx.part.supplies.vpp_program_v
        or Capability.MEASURE_VPP not in ctx.socketed.identity.capabilities
    ):
        return None
    try:
        ctx.socketed.clear_faults()
        measured_mv = ctx.socketed.power_again().vpp_mv
        ctx.socketed.power_off()
    except BenchError as error:
        # Out of tolerance even at rest: then the refusal has the figure.
        measured_mv = error.details.get("vpp_mv", NONE_U16)
    except StoppedError:
        return None
    return None if measured_mv in (0, NONE_U16) else measured_mv / 1000


def vpp_words(part: Part, vpp_v: float, *, was_out: bool) -> str:
    """Return what a measured VPP says of the failure, "" when it says nothing.

    `was_out`: the programmer found it out of tolerance while it programmed.
    """
    wanted_v = part.supplies.vpp_program_v or 0.0
    low_v, high_v = part.supplies.vpp_program_range_v or (wanted_v, wanted_v)
    if part.supplies.vpp_program_range_v and not low_v <= vpp_v <= high_v:
        side = "below" if vpp_v < low_v else "above"
        return f"VPP measures {vpp_v:.2f} V, {side} the {low_v:.2f} to {high_v:.2f} V that {part.name} wants"
    if was_out:
        return f"VPP is {vpp_v:.2f} V while nothing is programmed, so it gives way under load"
    return ""


def vpp_was_out(error: BenchError) -> bool:
    """Tell whether the programmer refused because VPP left its tolerance."""
    return bool(Fault(int(error.details.get("faults", 0))) & Fault.VPP_OUT_OF_TOLERANCE)
