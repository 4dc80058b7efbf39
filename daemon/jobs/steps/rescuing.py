"""The step that reads a failing chip over and over, votes, and says what is certain."""

from collections.abc import Callable
from typing import Any

from daemon.errors import BenchError, Code
from daemon.jobs.choices import rescue_reads, rescue_supplies_v
from daemon.jobs.context import Done, JobContext
from daemon.jobs.steps.power import require_power
from daemon.operations.refusals import status_error
from daemon.programmers.fitting import supplies_of
from daemon.rescue.tally import Tally
from daemon.rescue.verdicts import Verdicts, judge, statistics_words
from protocol.wire import Status


def rescue(ctx: JobContext) -> Done:
    """Read the whole chip many times at every supply; what was counted is kept when it is broken off."""
    part = ctx.part
    supplies_v = rescue_supplies_v(ctx.request, part, ctx.socketed.identity)
    tally = _begun(ctx, supplies_v)
    rounds = rescue_reads(ctx.request)
    try:
        _count(ctx, tally, rounds)
    except BaseException:
        if tally.total_reads:
            # Outside the chip's time: supplies go off first, whatever becomes of the record.
            ctx.numbers.update(tally_sha256=ctx.keep(tally.to_bytes()), reads=list(tally.reads))
        raise
    ctx.socketed.power_off()
    found = judge(tally, part.blank_byte)
    return _told(ctx, tally, found)


def _begun(ctx: JobContext, supplies_v: tuple[float, ...]) -> Tally:
    if ctx.content is not None:
        kept = Tally.from_bytes(ctx.content.data, ctx.part.id, ctx.part.size_bytes)
        wanted = supplies_of(ctx.part)
        for supply_mv in kept.supplies_mv:
            # A file is no request that was looked through: what it says goes onto the chip's pins, too.
            if not wanted.vcc_low_mv <= supply_mv <= wanted.vcc_high_mv:
                raise BenchError(
                    Code.JOB_REQUEST,
                    f"the earlier rescue read counted at {supply_mv / 1000:.2f} V; {ctx.part.name} is read at"
                    f" {wanted.vcc_low_mv / 1000:.2f} to {wanted.vcc_high_mv / 1000:.2f} V",
                    hint="Start the rescue read anew, without them.",
                    field="image",
                )
        return kept
    return Tally(ctx.part.id, ctx.part.size_bytes, tuple(round(volts * 1000) for volts in supplies_v))


def _count(ctx: JobContext, tally: Tally, rounds: int) -> None:
    """Go round the supplies, so that one that is broken off has as many reads of each."""
    size = tally.size_bytes
    total = rounds * len(tally.supplies_mv) * size
    for number in range(rounds):
        for at, supply_mv in enumerate(tally.supplies_mv):
            if tally.reads[at] > number:
                continue
            done = sum(tally.reads) * size
            require_power(ctx, supply_mv / 1000)
            back = ctx.socketed.read(0, ctx.part.words, _shown(ctx, done, total))
            if back.status is not Status.OK:
                raise status_error(back.status, "read the chip")
            tally.add(at, back.data)


def _shown(ctx: JobContext, before_bytes: int, total_bytes: int) -> Callable[[int], None]:
    return lambda some: ctx.progress(before_bytes + some, total_bytes)


def _told(ctx: JobContext, tally: Tally, found: Verdicts) -> Done:
    content, mask = ctx.keep(found.content), ctx.keep(found.certain_mask)
    words = statistics_words(found.reads)
    numbers: dict[str, Any] = {
        "content_sha256": content,
        "mask_sha256": mask,
        "size_bytes": tally.size_bytes,
        "bits": found.bits,
        "certain_bits": found.certain,
        "steady_bits": found.steady,
        "voted_bits": found.voted,
        "open_bits": found.open,
        "fading": found.fading,
        "reads_by_supply": {
            f"{mv / 1000:.2f}": n for mv, n in zip(tally.supplies_mv, tally.reads, strict=True)
        },
        "otherwise_below": round(found.otherwise_below, 4),
        "statistics": words,
        "unsteady": list(found.unsteady),
    }
    ctx.numbers.update(numbers)
    unsteady = found.voted + found.open
    ctx.summary = (
        f"{ctx.part.name}: {found.certain:,} of {found.bits:,} bits are certain, {found.steady:,} steady,"
        f" {found.voted:,} voted, {found.open:,} open"
    )
    ctx.hint = f"{words[:1].upper()}{words[1:]}."
    if found.fading:
        ctx.hint += (
            f" {unsteady:,} bits change from read to read or with the supply: the chip is losing charge, so"
            " bits that read as erased are not called certain. Keep the mask with the image."
        )
    title = "Rescue read"
    ctx.passed("rescue-read", title, f"{found.reads} reads of {tally.size_bytes:,} bytes")
    if found.open:
        ctx.not_checked(
            "rescue-open", "Open bits", f"{found.open:,} bits stay open: more reads may settle them"
        )
    return Done(
        f"{found.reads} reads, {found.certain / found.bits:.2%} of bits certain", {"content_sha256": content}
    )
