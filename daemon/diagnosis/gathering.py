"""Looking once more at a chip that failed, in ways that cannot harm it: pins without power, and reads.

Nothing here switches VPP or the ID voltage on, gives a pulse or a write cycle, or sets a supply that a person
would have to set by hand.
"""

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from daemon.diagnosis.evidence import Evidence, Look
from daemon.diagnosis.seating import SHIFTS, judge_seating
from daemon.errors import BenchError
from daemon.jobs.context import JobContext
from daemon.jobs.outcome import OutcomeCode, Verdict
from daemon.jobs.request import Skippable
from daemon.operations.socketed import Socketed
from daemon.operations.supplies import How
from daemon.programmers.fitting import Fit, fit_directly
from daemon.store.model import JobKind
from protocol.descriptor import LoopKind
from protocol.wire import Capability, PinState, Status

if TYPE_CHECKING:
    from daemon.diagnosis.evidence import Rows

#: Ends of jobs after which the chip may be read: it was powered, or could have been.
_READABLE = frozenset(
    {
        OutcomeCode.NOT_BLANK,
        OutcomeCode.NOT_BLANK_LOW,
        OutcomeCode.NOT_ERASED,
        OutcomeCode.PROGRAM_FAILED,
        OutcomeCode.SIGNATURE_MISMATCH,
        OutcomeCode.UNSTABLE_READ,
        OutcomeCode.VERIFY_MISMATCH,
        OutcomeCode.OK,
        OutcomeCode.BLANK,
    }
)
#: Ends before the image was to be in the chip.
_BEFORE_CONTENT = frozenset(
    {
        OutcomeCode.NOT_BLANK,
        OutcomeCode.NOT_BLANK_LOW,
        OutcomeCode.NOT_ERASED,
        OutcomeCode.SIGNATURE_MISMATCH,
    }
)
_NOMINAL_LOOKS, _OTHER_LOOKS = 3, 2
_FIRST_WORDS = 256
#: Words that are read in one piece where the whole chip would take too long, and how few pieces at most.
_PIECE_WORDS, _PIECES_MAX = 64, 96
#: Blocks that may have been on their way when a word failed: what they did is not known.
_UNDER_WAY_BYTES = 8 * 1024


def gather(ctx: JobContext, code: str, numbers: dict[str, Any], budget_s: float) -> Evidence:
    """Look at pins and content for about `budget_s` seconds; the supplies are off afterwards.

    Raises BenchError and StoppedError as operations do; what was seen before that is lost.
    """
    evidence = Evidence(ctx.part, ctx.request.kind, code, {**ctx.numbers, **numbers})
    evidence.faults = int(evidence.numbers.get("faults", 0))
    _note_history(evidence, ctx)
    ctx.socketed.power_off()
    ctx.socketed.set_up()
    _look_at_pins(evidence, ctx)
    touches = evidence.seating is None or evidence.seating.good
    if touches and code in _READABLE:
        _look_at_content(evidence, ctx, budget_s)
        ctx.socketed.power_off()
        _look_up(evidence, ctx)
    return evidence


def _note_history(evidence: Evidence, ctx: JobContext) -> None:
    import numpy as np

    numbers, part = evidence.numbers, ctx.part
    passed = {check.name for check in ctx.checks if check.verdict is Verdict.PASSED}
    evidence.was_blank = "blank-check" in passed
    writes = ctx.request.kind in (JobKind.PROGRAM, JobKind.WRITE)
    evidence.programmed_here = writes and "programmed_words" in numbers
    before_content = evidence.code in (
        OutcomeCode.NOT_BLANK,
        OutcomeCode.NOT_BLANK_LOW,
        OutcomeCode.NOT_ERASED,
    )
    if ctx.content is None or before_content:
        return
    kind = "<u2" if part.word_bytes == 2 else "u1"
    wanted = np.frombuffer(ctx.content.data, kind).astype(np.uint16)
    covered = np.zeros(part.words, np.bool_)
    for each in ctx.content.ranges:
        covered[each.start_bytes // part.word_bytes : -(-each.end_bytes // part.word_bytes)] = True
    evidence.wanted, evidence.covered = wanted, covered
    per_word = ctx.socketed.descriptor.loop.kind is not LoopKind.FIRST_PASS_THEN_VERIFY
    if evidence.code == OutcomeCode.PROGRAM_FAILED and per_word:
        evidence.reached = int(numbers["address_bytes"]) // part.word_bytes
        wanted[evidence.reached + 1 :] = evidence.blank_word
        covered[evidence.reached + 1 + _UNDER_WAY_BYTES :] = True


# Pins


def _look_at_pins(evidence: Evidence, ctx: JobContext) -> None:
    if Skippable.PIN_CHECK in ctx.request.skip:
        return
    states = ctx.socketed.contact()
    if states is None:
        return
    evidence.seating = judge_seating(ctx.socketed.fit, states)
    if evidence.seating.missing and ctx.socketed.fit.adapter == "direct":
        evidence.rows_too_high = _rows_too_high(ctx)
        evidence.ground_open = not evidence.rows_too_high and _answers_from_vcc(ctx)
        ctx.socketed.set_up()


def _rows_too_high(ctx: JobContext) -> int:
    room = (ctx.socketed.identity.socket_pins - len(ctx.part.pins)) // 2
    for rows in SHIFTS[:room]:
        fit = fit_directly(ctx.part, ctx.socketed.identity, rows_up=rows)
        states = _states_at(ctx, fit)
        if states is not None and judge_seating(fit, states).good:
            return rows
    return 0


def _answers_from_vcc(ctx: JobContext) -> bool:
    """Tell whether pins conduct when the check takes the VCC pin for ground: then a chip is in.

    A chip whose ground touches nothing shows no diode from ground; those to VCC conduct the other way round.
    """
    straight = ctx.socketed.fit
    half = len(ctx.part.pins) // 2
    turned = {
        pin: straight.socket_pin(pin + half if pin <= half else pin - half) for pin in straight.socket_pins
    }
    states = _states_at(ctx, replace(straight, socket_pins=turned))
    return states is not None and states.count(PinState.REVERSED) > half // 2


def _states_at(ctx: JobContext, fit: Fit) -> tuple[PinState, ...] | None:
    try:
        elsewhere = Socketed(ctx.socketed.session, fit)
        elsewhere.set_up()
        return elsewhere.contact()
    except BenchError:
        # This programmer has no ground there, so it cannot look there.
        return None


# Content


def _look_at_content(evidence: Evidence, ctx: JobContext, budget_s: float) -> None:
    import numpy as np

    now_s = ctx.socketed.session.now_s

    supplies = list(_supplies(ctx))
    if not supplies:
        return
    _power(ctx, supplies[0])
    began_s = now_s()
    _read(ctx, 0, min(_FIRST_WORDS, ctx.part.words))
    per_word_s = max(now_s() - began_s, 1e-9) / min(_FIRST_WORDS, ctx.part.words)
    affordable = int(budget_s / (_NOMINAL_LOOKS + _OTHER_LOOKS * (len(supplies) - 1)) / per_word_s)
    pieces = pieces_of(ctx.part.words, affordable)
    addresses = np.concatenate([np.arange(at, at + count, dtype=np.int64) for at, count in pieces])
    keep = _telling(evidence, addresses)
    evidence.addresses = addresses[keep]
    looks = [supplies[0]] * _NOMINAL_LOOKS + [vcc_v for vcc_v in supplies[1:] for _ in range(_OTHER_LOOKS)]
    if len(addresses) < ctx.part.words:
        _recall(evidence, ctx, budget_s)
    set_v = 0.0
    for vcc_v in looks:
        if vcc_v != set_v:
            _power(ctx, vcc_v)
            set_v = vcc_v
        data = b"".join(_read(ctx, at, count) for at, count in pieces)
        words = np.frombuffer(data, "<u2" if ctx.part.word_bytes == 2 else "u1").astype(np.uint16)
        evidence.looks.append(Look(vcc_v, words[keep]))


def _recall(evidence: Evidence, ctx: JobContext, budget_s: float) -> None:
    """Take the CRC-32 of the whole chip, where that is quick, and recall content of the bench that has it."""
    part, per_word_ns = ctx.part, ctx.socketed.identity.timing.read_ns_per_word
    if ctx.socketed.can_digest and part.words * per_word_ns / 1e9 <= budget_s / 2:
        evidence.recalled = ctx.recall(ctx.socketed.digest(0, part.words), part.words * part.word_bytes)


def _telling(evidence: Evidence, addresses: "Rows") -> "Rows":
    """Return the places of the addresses of whose words anything is to be expected."""
    import numpy as np

    keep = np.ones(len(addresses), np.bool_)
    if evidence.reached is not None:
        under_way = (addresses > evidence.reached) & (addresses <= evidence.reached + _UNDER_WAY_BYTES)
        keep &= ~under_way
    elif evidence.covered is not None and np.count_nonzero(evidence.covered[addresses]) >= _PIECE_WORDS:
        keep &= evidence.covered[addresses]
    return np.flatnonzero(keep)


def pieces_of(words: int, affordable: int) -> list[tuple[int, int]]:
    """Return the stretches to read, as address and count: all of a part, or what tells most of its lines.

    Where not all can be read, each address line changes between some two of the stretches.
    """
    if affordable >= words:
        return [(0, words)]
    size = min(_PIECE_WORDS, words)
    lines = words.bit_length() - 1
    bases = [0, words // 2 + words // 4, words // 8]
    wanted = [
        base ^ flip
        for base in bases
        for flip in (0, *(1 << line for line in range(size.bit_length() - 1, lines)))
    ]
    pieces = max(4, min(_PIECES_MAX, affordable // size))
    wanted += [at * words // pieces for at in range(pieces)]
    starts: dict[int, None] = {}
    for at in wanted:
        starts.setdefault(at // size * size)
    chosen = sorted(list(starts)[: max(pieces, 2 * lines)])
    return [(at, size) for at in chosen if at + size <= words]


def _supplies(ctx: JobContext) -> Iterator[float]:
    """Yield the supplies to look at, nominal first: of the part's own range, those made without a hand."""
    nominal_v = ctx.part.supplies.vcc_read_v
    limits = ctx.socketed.descriptor.supplies
    asked = ctx.request.supply_checks_v or ()
    low_v = min(limits.vcc_low_mv / 1000, *asked, nominal_v)
    high_v = max(limits.vcc_high_mv / 1000, *asked, nominal_v)
    for vcc_v in dict.fromkeys((nominal_v, low_v, high_v)):
        setting = ctx.socketed.vcc_setting(vcc_v)
        if setting is not None and setting.how is How.ITSELF:
            yield vcc_v


def _power(ctx: JobContext, vcc_v: float) -> None:
    setting = ctx.socketed.vcc_setting(vcc_v)
    assert setting is not None
    ctx.socketed.power(setting.mv)


def _read(ctx: JobContext, address: int, count: int) -> bytes:
    back = ctx.socketed.read(address, count, lambda _done: None)
    if back.status is not Status.OK:
        return bytes([0xFF]) * (count * ctx.part.word_bytes)
    return back.data


def _look_up(evidence: Evidence, ctx: JobContext) -> None:
    """Ask the shelf for what the chip holds, where all of it was read or is recalled."""
    if evidence.addresses is None or evidence.programmed_here:
        return
    kind = "<u2" if ctx.part.word_bytes == 2 else "u1"
    held = evidence.recalled
    if len(evidence.addresses) == ctx.part.words:
        held = evidence.looks[0].words.astype(kind).tobytes()
    if held is None:
        return
    evidence.matches = ctx.find(held)
    if evidence.matches and ctx.content is not None:
        evidence.wanted_matches = ctx.find(ctx.content.data)


def can_measure_vpp(ctx: JobContext) -> bool:
    """Whether this programmer measures VPP."""
    return Capability.MEASURE_VPP in ctx.socketed.identity.capabilities
