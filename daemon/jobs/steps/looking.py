"""Steps that only look: is it blank, and what is in it."""

from typing import Any

from daemon.catalogue.terms import EraseMethod, Semantics
from daemon.images.facts import content_facts
from daemon.jobs.conflicts import Conflicts, conflicts_with
from daemon.jobs.context import Done, JobContext
from daemon.jobs.erase_advice import erase_advice
from daemon.jobs.outcome import JobStopped, OutcomeCode
from daemon.jobs.request import EraseScope, Skippable
from daemon.jobs.steps.pins import still_there
from daemon.jobs.steps.power import look_powering, made_by_itself, power_at, require_power
from daemon.operations.refusals import status_error
from daemon.store.model import JobKind
from protocol.messages import BlankResult
from protocol.wire import Status

_BLANK, _BLANK_TITLE = "blank-check", "Blank check"


def blank_check(ctx: JobContext) -> Done:
    """Count the bits that are not as erased, at the nominal supply and at the lowest possible one.

    A chip that reads blank at 5.0 V may still hold charge that shows at a lower supply (see the UV notes on
    margin reads): only the lower look says that it is erased.
    """
    if Skippable.BLANK_CHECK in ctx.request.skip and ctx.request.kind is not JobKind.BLANK_CHECK:
        ctx.not_checked(_BLANK, _BLANK_TITLE, "left out as asked")
        return Done("left out as asked", skipped=True)
    replaces = ctx.part.write is not None and ctx.part.write.semantics is Semantics.OVERWRITE
    if replaces and ctx.request.kind is JobKind.PROGRAM:
        return Done(f"not needed: writing to a {ctx.part.name} replaces what was there", skipped=True)
    nominal_v = ctx.part.supplies.vcc_read_v
    # The lowest supply at which the part may be read: of its checks and its tolerance.
    low_v = ctx.socketed.descriptor.supplies.vcc_low_mv / 1000
    found, low = _counts(ctx, nominal_v, low_v)
    if found.bits:
        return _not_blank(ctx, nominal_v, found, OutcomeCode.NOT_BLANK)
    done = _blank(ctx, low, nominal_v, low_v)
    if ctx.request.kind is not JobKind.PROGRAM:
        still_there(ctx)
    return done


def _blank(ctx: JobContext, low: BlankResult | None, nominal_v: float, low_v: float) -> Done:
    """Say how blank a chip is that reads blank at the nominal supply; look at the lower one if need be."""
    ctx.passed(_BLANK, _BLANK_TITLE, "every bit reads as erased", nominal_v)
    if low is None and power_at(ctx, low_v) is None:
        words = f"this programmer cannot read at {low_v:.2f} V, where bits that are nearly erased would show"
        ctx.not_checked(f"{_BLANK}-low", f"{_BLANK_TITLE}, low supply", words, low_v)
        return Done(f"blank at {nominal_v:.1f} V; not checked lower")
    low = low or ctx.socketed.blank(*_range(ctx))
    if low.bits:
        return _not_blank(ctx, low_v, low, OutcomeCode.NOT_BLANK_LOW)
    ctx.passed(f"{_BLANK}-low", f"{_BLANK_TITLE}, low supply", "every bit reads as erased", low_v)
    return Done(f"blank at {nominal_v:.1f} V and at {low_v:.1f} V")


def _range(ctx: JobContext) -> tuple[int, int]:
    """Return first word and count of what is to be blank: a range only where one can be asked for."""
    request = ctx.request
    if request.kind is JobKind.BLANK_CHECK or (
        request.kind is JobKind.ERASE and request.erase.scope is EraseScope.SECTOR
    ):
        return ctx.words_of(request.start_bytes, request.length_bytes)
    return 0, ctx.part.words


def _counts(ctx: JobContext, nominal_v: float, low_v: float) -> tuple[BlankResult, BlankResult | None]:
    """Count at the nominal supply, and at once at the lower one where the programmer makes both itself."""
    socketed, where = ctx.socketed, _range(ctx)
    made = made_by_itself(ctx, (nominal_v, low_v))
    if made is None:
        return socketed.together(look_powering(ctx), socketed.counting(*where))[1], None
    askings = [asking for mv in made for asking in (socketed.powering(mv), socketed.counting(*where))]
    _, found, _, low = socketed.together(*askings)
    return found, low


def _not_blank(ctx: JobContext, vcc_v: float, found: BlankResult, code: OutcomeCode) -> Done:
    """Say how far from blank the chip is; go on only where the image wants those bits cleared anyway."""
    part = ctx.part
    looked_at = _range(ctx)[1] * part.width_bits
    bits = f"{found.bits:,} bit{'s' if found.bits != 1 else ''}"
    lead = "reads blank at the nominal supply, but " if code is OutcomeCode.NOT_BLANK_LOW else ""
    first = found.first_address * part.word_bytes
    summary = (
        f"{lead}{bits} of {looked_at:,} {'reads' if found.bits == 1 else 'read'} 0 at {vcc_v:.2f} V "
        f"({_percent(found.bits / looked_at)}), the first at {first:#x}"
    )
    numbers: dict[str, Any] = {"bits": found.bits, "first_address": first, "vcc_v": vcc_v}
    ctx.failed(_BLANK, _BLANK_TITLE, summary, vcc_v)
    if ctx.request.kind is JobKind.PROGRAM and ctx.content is not None:
        conflicts = _conflicts(ctx, vcc_v)
        numbers.update(conflicting_bits=conflicts.bits)
        if not conflicts.bits:
            return Done(
                f"{summary}; none stands where the image has a 1: it can be programmed as it is", numbers
            )
        summary += f"; {conflicts.bits:,} of them stand where the image has a 1"
    if code is OutcomeCode.NOT_BLANK_LOW:
        summary += ": it is not fully erased"
    raise JobStopped(code, summary, _erase_hint(ctx), **numbers)


def _percent(share: float) -> str:
    """Return a share as a person reads it: never 0 % of something, nor 100 % of less."""
    if share < 0.001:
        return "under 0.1%"
    return "over 99.9%" if 0.999 < share < 1 else f"{share:.1%}"


def _conflicts(ctx: JobContext, vcc_v: float) -> Conflicts:
    require_power(ctx, vcc_v)
    back = ctx.socketed.read(0, ctx.part.words, lambda done: ctx.progress(done, ctx.part.size_bytes))
    if back.status is not Status.OK:
        raise status_error(back.status, "read the chip")
    assert ctx.content is not None
    return conflicts_with(back.data, ctx.content.data)


def _erase_hint(ctx: JobContext) -> str:
    match ctx.part.erase.method:
        case EraseMethod.UV:
            return erase_advice(ctx.part)
        case EraseMethod.ELECTRICAL:
            return "Erase it: this part is erased electrically, by an erase job."
        case _:
            return "This part cannot be erased; use a fresh one."


def read(ctx: JobContext) -> Done:
    """Read the range at the nominal supply (or the one asked for) and keep what was read."""
    vcc_v = (ctx.request.supply_checks_v or (ctx.part.supplies.vcc_read_v,))[0]
    require_power(ctx, vcc_v)
    first, count = ctx.words_of(ctx.request.start_bytes, ctx.request.length_bytes)
    total_bytes = count * ctx.part.word_bytes
    back = ctx.socketed.read(first, count, lambda done: ctx.progress(done, total_bytes))
    if back.status is not Status.OK:
        raise status_error(back.status, "read the chip")
    # What follows takes its time, and a programmer with its supplies on wants to hear from us.
    ctx.socketed.power_off()
    still_there(ctx)
    facts = content_facts(back.data, blank=ctx.part.blank_byte)
    matches = ctx.find(back.data)
    digest = ctx.keep(back.data)
    ctx.numbers.update(content_sha256=digest, crc32=f"{facts.crc32:08X}", size_bytes=total_bytes)
    if not back.agrees:
        words = "what was read and the programmer's own digest differ: some bits change between reads"
        ctx.failed("read", "Read", words, vcc_v)
        raise JobStopped(
            OutcomeCode.UNSTABLE_READ,
            words,
            "What was read has been kept, but do not trust it. Clean the pins, read again and compare.",
        )
    ctx.passed("read", "Read", f"{total_bytes:,} bytes read", vcc_v)
    ctx.numbers.update(matches=[match.to_json() for match in matches])
    if matches:
        ctx.hint = f"{matches[0].words[:1].upper()}{matches[0].words[1:]}."
    share = f", {facts.blank_share:.0%} blank" if facts.blank_share else ""
    return Done(f"{total_bytes:,} bytes, CRC-32 {facts.crc32:08X}{share}", {"content_sha256": digest})
