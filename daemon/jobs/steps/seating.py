"""Before power: set the part up, look at every pin, and read the signature."""

from daemon.catalogue.jep106 import maker_name
from daemon.catalogue.terms import SignatureMethod
from daemon.jobs.context import Done, JobContext
from daemon.jobs.outcome import JobStopped, OutcomeCode
from daemon.jobs.request import Skippable
from daemon.jobs.steps.pins import PINS, PINS_TITLE, chip_sits_well
from daemon.jobs.steps.power import look_powering
from daemon.store.model import JobKind

_SIGNATURE, _SIGNATURE_TITLE = "signature", "Signature"


def connect(ctx: JobContext) -> Done:
    """Tell the programmer about the part."""
    ctx.socketed.set_up()
    identity = ctx.socketed.identity
    fit = ctx.socketed.fit
    ctx.numbers.update(adapter=fit.adapter)
    if fit.adapter != "direct":
        ctx.numbers.update(adapter_pins={str(pin): socket for pin, socket in fit.socket_pins.items()})
    return Done(
        f"{identity.hardware or 'programmer'} with {identity.firmware or 'unnamed firmware'} is set up"
        f" for {ctx.part.name}",
        {"hardware": identity.hardware, "firmware": identity.firmware, "serial": identity.serial},
    )


def pin_check(ctx: JobContext) -> Done:
    """Look at every pin with small currents; nothing is powered before this has passed."""
    if Skippable.PIN_CHECK in ctx.request.skip:
        return _no_pins(ctx, "left out as asked")
    if not chip_sits_well(ctx):
        return _no_pins(
            ctx, "this programmer cannot check pins: look at the orientation yourself before going on"
        )
    words = f"all pins of the {ctx.part.package} touch, the right way round"
    ctx.passed(PINS, PINS_TITLE, words)
    return Done(words)


def _no_pins(ctx: JobContext, words: str) -> Done:
    ctx.not_checked(PINS, PINS_TITLE, words)
    if ctx.request.kind is JobKind.PIN_CHECK:
        ctx.summary = f"{ctx.part.name}: the pins were not checked"
    return Done(words, skipped=True)


def signature(ctx: JobContext) -> Done:
    """Read maker and device code and compare them with the part's."""
    part = ctx.part
    if Skippable.SIGNATURE in ctx.request.skip:
        return _no_signature(ctx, "left out as asked")
    if part.signature.method is SignatureMethod.NONE:
        return _no_signature(ctx, f"{part.name} has no signature")
    if not ctx.socketed.can_identify:
        return _no_signature(ctx, "this programmer cannot make the ID voltage where this part wants it")
    maker, device = ctx.socketed.identify(look_powering(ctx))
    numbers = {"maker": maker, "device": device}
    ctx.numbers.update(signature=numbers)
    digits = 2 * part.word_bytes
    read = f"maker {maker:0{digits}X}, device {device:0{digits}X}"
    if part.signature.maker is None:
        ctx.not_checked(_SIGNATURE, _SIGNATURE_TITLE, f"read {read}; the part's own codes are not known")
        return Done(f"read {read}; nothing to compare with", numbers)
    if part.signature.matches(maker, device):
        words = f"{read}: {part.maker} {part.name}"
        ctx.passed(_SIGNATURE, _SIGNATURE_TITLE, words)
        return Done(words, numbers)
    candidates = ctx.catalogue.by_signature(maker, device)
    names = ", ".join(sorted({candidate.name for candidate in candidates}))
    known = f"which is {names}" if names else f"a code of {maker_name(maker & 0xFF) or 'no known maker'}"
    summary = (
        f"read {read}, {known}; {part.name} would be {part.signature.maker:0{digits}X}, "
        f"{part.signature.device or 0:0{digits}X}"
    )
    if ctx.request.accept_signature:
        ctx.failed(_SIGNATURE, _SIGNATURE_TITLE, f"{summary}; accepted as asked")
        return Done(f"{summary}; going on as asked", numbers)
    ctx.failed(_SIGNATURE, _SIGNATURE_TITLE, summary)
    raise JobStopped(
        OutcomeCode.SIGNATURE_MISMATCH,
        summary,
        "Look at the marking and choose the part that it names. Chips with another VPP can be destroyed:"
        " go on with this part only if you are sure.",
        **numbers,
        candidates=[candidate.id for candidate in candidates],
    )


def _no_signature(ctx: JobContext, words: str) -> Done:
    ctx.not_checked(_SIGNATURE, _SIGNATURE_TITLE, words)
    if ctx.request.kind is JobKind.IDENTIFY:
        ctx.summary = f"{ctx.part.name}: the signature was not read"
    return Done(words, skipped=True)
