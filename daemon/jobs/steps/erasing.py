"""The step that erases electrically: by a command sequence, or by pulses of high voltage."""

from daemon.catalogue.model import Part
from daemon.catalogue.terms import EraseMethod, Semantics
from daemon.errors import BenchError, Code
from daemon.images.fit import fit
from daemon.images.model import Image
from daemon.jobs.context import Done, JobContext
from daemon.jobs.outcome import JobStopped, OutcomeCode
from daemon.jobs.request import EraseScope
from daemon.jobs.steps.power import look_power, power_at
from daemon.jobs.steps.programming import program
from daemon.store.model import JobKind
from protocol.descriptor import ErasePulse


def erase(ctx: JobContext) -> Done:
    """Erase electrically: what was asked for, or, in a program job, the chip if it is not blank."""
    part = ctx.part
    if part.erase.method is not EraseMethod.ELECTRICAL:
        if part.write is not None and part.write.semantics is Semantics.OVERWRITE:
            return _erase_by_writing(ctx)
        raise ValueError(f"no job erases a {part.name}: planning refuses it")
    pulse = ctx.socketed.descriptor.erase_pulse
    if pulse is None and ctx.socketed.descriptor.erase is None:
        raise BenchError(
            Code.PROGRAMMER_CANNOT,
            f"{part.name} is erased by {part.supplies.erase_v or 0:.1f} V on VPP and A9, which this board"
            " cannot put there",
            hint="Use a programmer with an ID voltage of that height.",
            field="part",
        )
    look_power(ctx)
    whole = ctx.request.kind is JobKind.PROGRAM or ctx.request.erase.scope is EraseScope.CHIP
    # A chip whose erase was cut off may read blank without being erased: a continued job does it again.
    may_skip = ctx.request.kind is JobKind.PROGRAM and not ctx.resumes
    if may_skip and not ctx.socketed.blank(0, part.words).bits:
        return Done("already blank", skipped=True)
    if pulse is not None:
        return _erase_by_pulses(ctx, pulse)
    if whole:
        took_ms = ctx.socketed.erase_chip()
        return Done(f"whole chip in {took_ms:,} ms", {"took_ms": took_ms})
    return _erase_sectors(ctx)


def _erase_by_writing(ctx: JobContext) -> Done:
    """Write blank over the whole chip: such parts replace bytes or pages and need no erase of their own."""
    part = ctx.part
    if ctx.request.erase.scope is EraseScope.SECTOR:
        raise _no_sectors(part)
    ctx.content = fit(Image.raw(bytes([part.blank_byte]) * part.size_bytes), part.size_bytes, part.word_bytes)
    done = program(ctx)
    return Done(f"{part.size_bytes:,} bytes written as {part.blank_byte:02X}: {done.words}", done.numbers)


def _no_sectors(part: Part) -> BenchError:
    return BenchError(
        Code.PART_CANNOT,
        f"{part.name} has no sectors",
        hint="Erase the whole chip.",
        field="erase.scope",
    )


def _erase_sectors(ctx: JobContext) -> Done:
    part = ctx.part
    if part.sectors is None:
        raise _no_sectors(part)
    first, count = ctx.words_of(ctx.request.start_bytes, ctx.request.length_bytes)
    words = part.sectors.size_bytes // part.word_bytes
    starts = range(first - first % words, first + count, words)
    took_ms = 0
    for done, address in enumerate(starts, 1):
        took_ms += ctx.socketed.erase_sector(address)
        ctx.progress(done * part.sectors.size_bytes, len(starts) * part.sectors.size_bytes)
    return Done(f"{len(starts)} sectors in {took_ms:,} ms", {"took_ms": took_ms, "sectors": len(starts)})


def _erase_by_pulses(ctx: JobContext, pulse: ErasePulse) -> Done:
    """Give pulses until the chip reads blank, also at the maker's low supply where it can be made.

    The last look may not be the first blank one: bits that are nearly erased show only at the low supply.
    """
    most = ctx.part.erase.max_pulses or 1
    took_ms = bits = 0
    for pulses in range(1, most + 1):
        ctx.socketed.power(pulse.vcc_mv, pulse.vpp_mv)
        took_ms += ctx.socketed.erase_chip()
        bits = _bits_left(ctx)
        ctx.progress(pulses * ctx.part.size_bytes // most, ctx.part.size_bytes)
        if not bits:
            words = f"blank after {pulses} pulse{'s' if pulses > 1 else ''} of {pulse.pulse_us / 1000:g} ms"
            return Done(words, {"took_ms": took_ms, "erase_pulses": pulses})
    raise JobStopped(
        OutcomeCode.NOT_BLANK,
        f"{bits:,} bits still read 0 after {most} erase pulses",
        "Is it the part that was named? Parts of this name that are erased by light look alike. Else check"
        " VPP under load; a chip that does not erase any more is worn.",
        bits=bits,
        erase_pulses=most,
    )


def _bits_left(ctx: JobContext) -> int:
    """Count what is not erased, at the nominal supply and then at the maker's own for this."""
    look_power(ctx)
    bits = ctx.socketed.blank(0, ctx.part.words).bits
    low_v = ctx.part.erase.verify_v
    if not bits and low_v is not None and power_at(ctx, low_v) is not None:
        bits = ctx.socketed.blank(0, ctx.part.words).bits
    return bits
