"""PROGRAM, FILL and COPY: which words go where, under which loop, and what came of it."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from protocol.descriptor import LoopKind
from protocol.device import DeviceLink, Outcome
from protocol.messages import Copy, Fill, Program
from protocol.wire import Capability, Mode, Pass, Status
from simulator.programmer.board import Board
from simulator.programmer.judge import PULSED
from simulator.programmer.ports import Words
from simulator.programmer.pulses import PULSE_GRACE_S, Block, Rewound, Style, run_block
from simulator.programmer.sensing import addresses_of, outside
from simulator.programmer.steps import ChipSwapped, Halt, Steps
from simulator.programmer.tally import Span, Tally
from simulator.programmer.writes import write_units

#: How many words are put through the loop at a time.
_BLOCK_WORDS = 1024
_PASSES = {
    LoopKind.NONE: frozenset[Pass](),
    LoopKind.VERIFY_EACH_PULSE: frozenset({Pass.FULL, Pass.RESUME}),
    LoopKind.FIRST_PASS_THEN_VERIFY: frozenset({Pass.FIRST, Pass.VERIFY, Pass.RESUME}),
    LoopKind.BYTE_WRITE: frozenset({Pass.FULL}),
    LoopKind.PAGE_WRITE: frozenset({Pass.FULL}),
    LoopKind.COMMAND: frozenset({Pass.FULL}),
}
_NEEDS = {Fill: Capability.FILL, Copy: Capability.COPY}


def alter(board: Board, link: DeviceLink, request: Program | Fill | Copy) -> Steps:
    """Run the pass of the part's loop that is asked for."""
    loop = board.part.loop
    needed = _NEEDS.get(type(request), Capability.NONE)
    if needed not in board.profile.identity.capabilities or request.pass_ not in _PASSES[loop.kind]:
        return Outcome(Status.CANNOT)
    span, refusal = _span(board, link, request)
    if refusal is not None:
        return Outcome(refusal)
    tally = Tally()
    work = _pulse_words(board, span, _style(board, request.pass_), tally)
    if loop.kind not in PULSED:
        work = write_units(board, span, tally)
    try:
        return (yield from work)
    except Halt as halt:
        halt.detail = tally.result()
        raise


def _span(board: Board, link: DeviceLink, request: Program | Fill | Copy) -> tuple[Span, Status | None]:
    geometry = board.part.geometry
    word_bytes = geometry.width_bits // 8
    match request:
        case Program():
            count, rest = divmod(len(request.data), word_bytes)
            given = np.frombuffer(request.data[: count * word_bytes], f"<u{word_bytes}").astype(np.uint16)
            span = Span(request.address, count, lambda first, number: given[first : first + number])
            refusal = Status.MALFORMED if rest else outside(board, request.address, count)
            if refusal is None and len(request.data) > link.limits.max_payload:
                refusal = Status.OUT_OF_RANGE
            return span, refusal or _crosses_page(board, span)
        case Fill():
            value = request.value & (1 << geometry.width_bits) - 1
            refusal = Status.OUT_OF_RANGE if value != request.value else None
            span = Span(
                request.address, request.count, lambda _first, number: np.full(number, value, np.uint16)
            )
        case Copy():
            refusal = outside(board, request.source, request.count)
            span = Span(request.address, request.count, _source(board, request.source), read=True)
    return span, refusal or outside(board, request.address, request.count)


def _source(board: Board, source: int) -> Callable[[int, int], Words]:
    """Return a reader of the chip's own words, at the supplies that are on."""
    mode = Mode.VERIFY if board.part.loop.kind in PULSED else Mode.READ

    def words(first: int, number: int) -> Words:
        return board.bus.read(mode, addresses_of(source + first, number), board.rails(mode))

    return words


def _crosses_page(board: Board, span: Span) -> Status | None:
    if board.part.loop.kind is not LoopKind.PAGE_WRITE or board.part.page is None:
        return None
    words = board.part.page.words
    same = span.address // words == (span.address + span.count - 1) // words
    return None if same else Status.PAGE_CROSSING


def _style(board: Board, which: Pass) -> Style:
    loop = board.part.loop
    match which:
        case Pass.FULL:
            return Style(False, True, loop.max_pulses, loop.overprogram_factor)
        case Pass.FIRST:
            return Style(False, False, 1, 0)
        case Pass.VERIFY:
            return Style(True, True, loop.max_pulses, loop.overprogram_factor)
        case Pass.RESUME:
            return Style(True, True, loop.max_pulses, loop.overprogram_factor, tops_up=True)


def _pulse_words(board: Board, span: Span, style: Style, tally: Tally) -> Steps:
    used_before = 0
    while tally.words < span.count:
        done = tally.words
        # The word that a swapped chip interrupted has its pulses counted on.
        own = replace(style, reads_first=True, limit=style.limit - used_before) if used_before else style
        number = 1 if used_before else min(_BLOCK_WORDS, span.count - done)
        words = span.words(done, number)
        if span.read:
            yield board.now_s + number * board.read_s
        block = run_block(board, addresses_of(span.address + done, number), words, own)
        board.progress = _progress(block, done)
        used_before = 0
        board.tell = (ChipSwapped,)
        try:
            yield block.end_s
        except ChipSwapped:
            used_before = _take_back(block, tally, board.now_s, grace_s=0.0).under_way
            yield board.now_s
            continue
        except Halt as halt:
            # What happens to the chip while its last pulse ends alters nothing any more.
            board.tell = ()
            rewound = _take_back(block, tally, board.now_s, 0.0 if halt.cut else PULSE_GRACE_S)
            if rewound.stop_s > board.now_s:
                yield rewound.stop_s
            raise
        finally:
            board.tell = ()
        tally.failure = block.failure
        failed = block.failure is not None
        tally.add(len(block.used) - failed, int(block.used.sum()), int(block.used.max(initial=0)))
        if failed:
            break
    return tally.outcome()


def _take_back(block: Block, tally: Tally, now_s: float, grace_s: float) -> Rewound:
    rewound = block.rewind(now_s, grace_s)
    tally.add(rewound.words, rewound.pulses, rewound.most)
    return rewound


def _progress(block: Block, before: int) -> Callable[[float], int]:
    return lambda now_s: before + block.done_at(now_s)
