"""Steps that look at a chip nobody knows, in the order in which looking is safe.

First what a person sees; then the pins, without power; then reads at the chip's own supply and nothing above
it, the least risky way first. The pins and the reads decide which parts are still possible.
"""

import zlib
from collections.abc import Callable

from daemon.catalogue.model import Part
from daemon.diagnosis import SHIFTS, judge_seating
from daemon.drawer.contact import Contact, judge_contact, pins_that_touch
from daemon.drawer.examination import Examination
from daemon.drawer.explain import Observation
from daemon.drawer.report import content_of
from daemon.drawer.sight import narrow
from daemon.drawer.start import why_not
from daemon.drawer.trials import Trial, a_name, family_names
from daemon.errors import BenchError
from daemon.jobs.context import Done, JobContext
from daemon.jobs.outcome import JobStopped, OutcomeCode
from daemon.jobs.request import sight_of
from daemon.jobs.steps.power import look_power
from daemon.operations.refusals import status_error
from daemon.operations.socketed import Socketed
from daemon.programmers.fitting import fit_directly
from protocol.descriptor import PartDescriptor
from protocol.wire import PinState, Status

_PINS, _PINS_TITLE = "pin-check", "Pin check"


def examination_of(ctx: JobContext) -> Examination:
    """Return the examination that the first step began."""
    assert ctx.examination is not None
    return ctx.examination


def narrow_down(ctx: JobContext) -> Done:
    """Gather the parts that the package leaves possible."""
    sight = sight_of(ctx.request)
    exam = ctx.examination = Examination(sight, list(narrow(ctx.catalogue, sight)))
    for trial in exam.trials:
        if (refusal := why_not(trial, ctx.socketed.identity)) is not None:
            exam.skip(trial, f"this programmer cannot: {refusal.message}")
    marked = [each for each in exam.live if each.marked]
    words = f"{sight.words}: {len(exam.live)} parts of the catalogue look like this"
    if sight.marking:
        names = ", ".join(family_names(each.part for each in marked)) or "none of them"
        words += f"; the marking fits {names}"
    return Done(words, {"candidates": len(exam.live), "marked": [each.part.id for each in marked]})


# The pins, without power


def seat(ctx: JobContext) -> Done:
    """Look at every pin with small currents, from each place where a candidate has its ground."""
    exam = examination_of(ctx)
    states_of: dict[tuple[int, ...], tuple[PinState, ...]] = {}
    for each in exam.live:
        if each.part.ground_pins in states_of:
            continue
        trial = next((t for t in exam.trials if any(m is each.part for m in t.members)), None)
        if trial is None or why_not(trial, ctx.socketed.identity) is not None:
            continue
        use(ctx, trial.part)
        states = ctx.socketed.contact()
        if states is None:
            words = "this programmer cannot check pins: look at the orientation yourself before going on"
            ctx.not_checked(_PINS, _PINS_TITLE, words)
            return Done(words, skipped=True)
        states_of[each.part.ground_pins] = states
    contact = judge_contact(exam.live, states_of, ctx.socketed.identity)
    if not contact.live:
        stopped = _not_seated(ctx, contact, states_of)
        ctx.failed(_PINS, _PINS_TITLE, stopped.summary)
        raise stopped
    left = len(exam.live) - len(contact.live)
    exam.live, exam.pin_doubts = list(contact.live), contact.doubts
    exam.out += contact.out
    words = f"all {exam.sight.package_pins} pins are as a chip has them, the right way round"
    ctx.passed(_PINS, _PINS_TITLE, words)
    told = f"; {left} part{'s are' if left > 1 else ' is'} ruled out by it" if left else ""
    return Done(words + told, {"ruled_out": left})


def use(
    ctx: JobContext,
    part: Part,
    limit: Callable[[PartDescriptor], PartDescriptor] = lambda descriptor: descriptor,
) -> Socketed:
    """Tell the programmer of another part, with the supplies off, and work with it from here on.

    `limit` takes from its descriptor what must not happen.
    """
    ctx.part = part
    ctx.socketed = Socketed(ctx.socketed.session, fit_directly(part, ctx.socketed.identity))
    ctx.socketed.descriptor = limit(ctx.socketed.descriptor)
    ctx.socketed.set_up()
    return ctx.socketed


def _not_seated(
    ctx: JobContext, contact: Contact, states_of: dict[tuple[int, ...], tuple[PinState, ...]]
) -> JobStopped:
    """Return the verdict on a chip that no candidate's pins go with; it is not powered."""
    pins = examination_of(ctx).sight.package_pins
    if contact.missing:
        if rows := _rows_too_high(ctx):
            return JobStopped(
                OutcomeCode.CHIP_SHIFTED,
                f"the chip sits {rows} row{'s' if rows > 1 else ''} too far towards the socket's pin 1",
                f"A {pins}-pin chip goes to the bottom end of the socket. Move it, and start again.",
                shifted_rows=rows,
            )
        return JobStopped(
            OutcomeCode.CHIP_MISSING,
            "no chip touches the socket",
            "Insert the chip with pin 1 at the socket's mark, close the lever, and start again.",
        )
    if contact.reversed:
        return JobStopped(
            OutcomeCode.CHIP_REVERSED,
            "the chip is in backwards; it was not powered",
            "Open the socket, turn the chip by half a turn (the notch marks pin 1's end), and start again.",
        )
    touching = max(pins_that_touch(states) for states in states_of.values())
    if touching != pins and not contact.shorts:
        return JobStopped(
            OutcomeCode.PIN_FAULT,
            f"{touching} pins of the socket touch a chip, and it was said to have {pins}; it was not powered",
            "Count the pins, look how it sits (bottom end of the socket), and start again.",
            touching_pins=touching,
        )
    listed = "; ".join(contact.shorts)
    if not listed and contact.nearest:
        part, seating = contact.nearest
        faults = "; ".join(fault.words for fault in seating.faults)
        listed = f"no part of the catalogue has such pins; the nearest, {part.name}, would need {faults}"
    return JobStopped(
        OutcomeCode.PIN_FAULT,
        f"{listed}; it was not powered",
        "Take the chip out, straighten or clean these pins, look into the socket, and start again.",
    )


def _rows_too_high(ctx: JobContext) -> int:
    """Look for the chip at higher places of the socket, again without power; 0 when it is at none."""
    exam, identity = examination_of(ctx), ctx.socketed.identity
    room = (identity.socket_pins - exam.sight.package_pins) // 2
    for rows in SHIFTS[:room]:
        try:
            elsewhere = Socketed(ctx.socketed.session, fit_directly(ctx.part, identity, rows_up=rows))
            elsewhere.set_up()
        except BenchError:
            continue  # this programmer has no ground there, so it cannot look there
        states = elsewhere.contact()
        fits = [fit_directly(each.part, identity, rows_up=rows) for each in exam.live]
        if states is not None and any(judge_seating(fit, states).good for fit in fits):
            return rows
    return 0


# Reads


def read_trials(ctx: JobContext) -> Done:
    """Read the chip in every way that is safe and can still tell something; supplies off in between."""
    exam = examination_of(ctx)
    total_bytes = sum(trial.part.size_bytes for trial in exam.trials)
    done_bytes = 0
    while not exam.over_current and (trial := exam.next_trial()) is not None:
        seen = _read(ctx, trial, done_bytes, total_bytes)
        done_bytes += trial.part.size_bytes
        if seen is not None:
            exam.take(seen)
    if (content := content_of(exam)) is not None:
        # Before anybody is asked for more than 5 V: what the chip holds must not be lost with it.
        exam.matches = ctx.find(content)
        exam.content_sha256 = ctx.keep(content)
        ctx.numbers["content_sha256"] = exam.content_sha256
    if exam.over_current:
        ctx.failed("read", "Read", exam.over_current)
        return Done(exam.over_current)
    if not exam.observations:
        words = "it was not read: no way to read it is safe for all that it can be"
        ctx.not_checked("read", "Read", words)
        return Done(words, skipped=True)
    ways = ", ".join(f"as {a_name(seen.trial.name)}" for seen in exam.observations)
    vcc_v = exam.observations[0].trial.part.supplies.vcc_read_v
    words = f"read {ways}; {len(exam.live)} parts explain what was read"
    (ctx.failed if exam.unstable else ctx.passed)("read", "Read", words, vcc_v)
    return Done(words, {"ways": len(exam.observations), "candidates": len(exam.live)})


def _read(ctx: JobContext, trial: Trial, before_bytes: int, total_bytes: int) -> Observation | None:
    """Read one way and look once more; None after an over-current, which ends all reading."""
    exam, words = examination_of(ctx), trial.part.words
    socketed = use(ctx, trial.part)
    try:
        look_power(ctx)
        back = socketed.read(0, words, lambda done: ctx.progress(before_bytes + done, total_bytes))
        if back.status is not Status.OK:
            raise status_error(back.status, "read the chip")
        stable = back.agrees
        if socketed.can_digest:
            stable = stable and socketed.digest(0, words) == zlib.crc32(back.data)
        else:
            again = socketed.read(0, words, lambda _done: None)
            stable = stable and again.data == back.data
        socketed.power_off()
    except BenchError as error:
        if not is_over_current(error):
            raise
        exam.over_current = (
            f"it drew more current than the programmer gives, read as {a_name(trial.name)}; the supply was"
            " switched off at once and nothing more was tried"
        )
        return None
    return Observation(trial, back.data, stable)


def is_over_current(error: BenchError) -> bool:
    """Tell whether the programmer switched off because a supply was overloaded."""
    return error.details.get("status") == Status.OVER_CURRENT.name
