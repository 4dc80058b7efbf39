"""Steps that compare the chip with the image, at every supply that the part's maker asks for."""

import zlib

from daemon.images.facts import content_facts
from daemon.images.model import Range
from daemon.jobs.conflicts import Differences, differences
from daemon.jobs.context import Done, JobContext
from daemon.jobs.outcome import JobStopped, OutcomeCode
from daemon.jobs.steps.power import look_power, power_at
from daemon.operations.refusals import status_error
from protocol.wire import Status

_RANGES_BY_DIGEST = 32


def verify(ctx: JobContext) -> Done:
    """Compare at each of the part's supplies; a supply that cannot be made is recorded as not checked."""
    asked = ctx.supply_checks()
    done: list[str] = []
    if ctx.request.supply_checks_v is None and not any(ctx.socketed.vcc_setting(v) for v in asked):
        # Nothing of the maker's list can be made here; the nominal supply is better than no look at all.
        for vcc_v in asked:
            _not_made(ctx, vcc_v)
        asked = (ctx.part.supplies.vcc_read_v,)
    for vcc_v in asked:
        if power_at(ctx, vcc_v) is None:
            _not_made(ctx, vcc_v)
            continue
        _verify_at(ctx, vcc_v)
        done.append(f"{vcc_v:.1f} V")
    if not done:
        return Done("none of these supplies can be made here: nothing was verified", skipped=True)
    return Done(f"matches the image at {' and '.join(done)}", {"supplies": done})


def _not_made(ctx: JobContext, vcc_v: float) -> None:
    words = f"this programmer cannot make {vcc_v:.2f} V"
    ctx.not_checked("verify", "Verify", words, vcc_v)


def _verify_at(ctx: JobContext, vcc_v: float) -> None:
    assert ctx.content is not None
    ranges, word_bytes = ctx.content.ranges, ctx.part.word_bytes
    total_bytes = sum(each.length_bytes for each in ranges)
    if _by_digest(ctx, ranges):
        done_bytes = 0
        for each in ranges:
            wanted = ctx.content.data[each.start_bytes : each.end_bytes]
            got = ctx.socketed.digest(each.start_bytes // word_bytes, each.length_bytes // word_bytes)
            if got != zlib.crc32(wanted):
                raise _mismatch(ctx, vcc_v, _read_and_compare(ctx, ranges))
            done_bytes += each.length_bytes
            ctx.progress(done_bytes, total_bytes)
        ctx.passed("verify", "Verify", f"{total_bytes:,} bytes match, by digest", vcc_v)
        return
    found = _read_and_compare(ctx, ranges)
    if found.differing_bytes:
        raise _mismatch(ctx, vcc_v, found)
    ctx.passed("verify", "Verify", f"{total_bytes:,} bytes match, read back", vcc_v)


def _by_digest(ctx: JobContext, ranges: tuple[Range, ...]) -> bool:
    """Digests are enough unless a read-back was asked for, or a locked part could fake its success."""
    locked_could_fake = ctx.part.write is not None and ctx.part.write.lockable
    return (
        ctx.socketed.can_digest
        and not ctx.request.read_back
        and not locked_could_fake
        and len(ranges) <= _RANGES_BY_DIGEST
    )


def _read_and_compare(ctx: JobContext, ranges: tuple[Range, ...]) -> Differences:
    assert ctx.content is not None
    start, end = ranges[0].start_bytes, ranges[-1].end_bytes
    size = ctx.part.word_bytes
    back = ctx.socketed.read(
        start // size, (end - start) // size, lambda done: ctx.progress(done, end - start)
    )
    if back.status is not Status.OK:
        raise status_error(back.status, "read the chip back")
    wanted = b"".join(ctx.content.data[each.start_bytes : each.end_bytes] for each in ranges)
    got = b"".join(back.data[each.start_bytes - start : each.end_bytes - start] for each in ranges)
    found = differences(wanted, got)
    return _with_address(found, ranges)


def _with_address(found: Differences, ranges: tuple[Range, ...]) -> Differences:
    """Turn the first difference's place among the joined ranges into its place in the part."""
    from dataclasses import replace

    at = found.first_bytes
    for each in ranges:
        if at is None or at < each.length_bytes:
            break
        at -= each.length_bytes
    return found if at is None else replace(found, first_bytes=each.start_bytes + at)


def _mismatch(ctx: JobContext, vcc_v: float, found: Differences) -> JobStopped:
    if not found.differing_bytes:
        words = "the programmer's digest differs from the image, but every byte read back is right"
        ctx.failed("verify", "Verify", words, vcc_v)
        return JobStopped(
            OutcomeCode.UNSTABLE_READ,
            words,
            "Some bits change from read to read. Clean the pins and verify again; a weak chip is to be erased"
            " and programmed afresh.",
        )
    summary = (
        f"{found.differing_bytes:,} bytes differ at VCC {vcc_v:.2f} V, the first at {found.first_bytes:#x}: "
        f"{found.got:02X} instead of {found.wanted:02X}"
    )
    ctx.failed("verify", "Verify", summary, vcc_v)
    return JobStopped(
        OutcomeCode.VERIFY_MISMATCH, summary, _advice(ctx, vcc_v, found),
        differing_bytes=found.differing_bytes, first_bytes=found.first_bytes, vcc_v=vcc_v,
        bits_wanted_0=found.bits_wanted_0, bits_wanted_1=found.bits_wanted_1,
    )  # fmt: skip


def _advice(ctx: JobContext, vcc_v: float, found: Differences) -> str:
    nominal_v = ctx.part.supplies.vcc_read_v
    if found.bits_wanted_0 and not found.bits_wanted_1 and vcc_v > nominal_v:
        return "Bits were programmed too weakly: check VPP and the pulse, erase, and program again."
    if found.bits_wanted_1 and not found.bits_wanted_0 and vcc_v < nominal_v:
        return "Bits still hold charge: the chip was not fully erased. Erase it longer, then program again."
    if ctx.part.write is not None and ctx.part.write.lockable:
        return "If nothing changed at all, the chip is write-protected. Else clean the pins and try again."
    return "Is it the right image and chip? Clean the pins and verify again; else erase and program afresh."


def checksum(ctx: JobContext) -> Done:
    """State what the chip now holds, in the figures that go on a label."""
    look_power(ctx)
    data = ctx.content.data if ctx.content is not None else None
    if not ctx.socketed.can_digest:
        if data is None:
            return Done("this programmer computes no digests", skipped=True)
        return _label(ctx, data, "of the image as fitted")
    crc = ctx.socketed.digest(0, ctx.part.words)
    if data is not None and crc == zlib.crc32(data):
        return _label(ctx, data, "of the whole chip")
    ctx.numbers.update(crc32=f"{crc:08X}")
    return Done(f"CRC-32 {crc:08X} of the whole chip", {"crc32": f"{crc:08X}"})


def _label(ctx: JobContext, data: bytes, what: str) -> Done:
    facts = content_facts(data, blank=ctx.part.blank_byte)
    figures = {"crc32": f"{facts.crc32:08X}", "byte_sum_16": f"{facts.byte_sum_16:04X}"}
    ctx.numbers.update(figures)
    return Done(f"CRC-32 {facts.crc32:08X}, 16-bit sum {facts.byte_sum_16:04X} {what}", figures)
