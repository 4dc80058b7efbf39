"""Loops of parts that time themselves: byte write, page write, command. Each unit is polled and read back.

A unit is a page, or as many words as are surely written within a millisecond (one, for an EEPROM of 10 ms a
byte): it is what an ABORT lets end, as it lets a pulse end.
"""

from collections.abc import Generator, Iterator
from itertools import pairwise

import numpy as np

from protocol.descriptor import LoopKind, Semantics, SequenceId
from protocol.device import Outcome
from protocol.wire import Mode, Status
from simulator.programmer.board import Board
from simulator.programmer.commands import issue_sequence, polled
from simulator.programmer.course import Course, foresee
from simulator.programmer.ports import Addresses, Words
from simulator.programmer.pulses import PULSE_GRACE_S
from simulator.programmer.sensing import addresses_of
from simulator.programmer.steps import ChipSwapped, Halt, Steps, SupplyChanged
from simulator.programmer.tally import Failure, Span, Tally
from simulator.rails import Rails

#: Granted beyond the maker's longest write cycle: the board's clock is no better (ours).
_CYCLE_SLACK = 1.05
#: About how many words are written ahead of time.
_AHEAD_WORDS = 1024


def write_units(board: Board, span: Span, tally: Tally) -> Steps:
    """Write unit by unit, each until it reads right or the attempts are used up.

    The first is written cycle by cycle. When that has gone well, more are written ahead of time if they can.
    """
    unit = _unit_words(board)
    while tally.words < span.count:
        course = _foresee(board, span, tally.words, unit) if tally.words else None
        if course is None:
            outcome = yield from _next_unit(board, span, tally, unit)
        else:
            outcome = yield from _follow(board, span, tally, unit, course)
        if outcome.status is not Status.OK:
            return Outcome(outcome.status, tally.result())
    return tally.outcome()


def _next_unit(board: Board, span: Span, tally: Tally, unit: int) -> Steps:
    """Write one unit, cycle by cycle."""
    done = tally.words
    address = span.address + done
    count = min(unit - address % unit, span.count - done)
    words = span.words(done, count)
    if span.read:
        yield board.now_s + count * board.read_s
    board.progress = lambda _now_s: done
    return (yield from _write_unit(board, addresses_of(address, count), words, tally))


def _foresee(board: Board, span: Span, done: int, unit: int) -> Course | None:
    """Write units ahead of time, None where that cannot be; not those which come from the chip itself."""
    if span.read:
        return None
    address = span.address + done
    last = min(span.count - done, unit + _AHEAD_WORDS - (address + _AHEAD_WORDS) % unit)
    cuts = [0, *range(min(unit - address % unit, last), last, unit), last]
    sizes = [end - begin for begin, end in pairwise(cuts)]
    return foresee(board, addresses_of(address, last), span.words(done, last), sizes, _longest_s(board))


def _follow(board: Board, span: Span, tally: Tally, unit: int, course: Course) -> Steps:
    """Let the time of a course go by; cut short, be where going unit by unit would be."""
    before = tally.words
    board.progress = lambda now_s: before + course.done_at(now_s)
    board.tell = (ChipSwapped, SupplyChanged)
    try:
        yield course.ends_s[-1]
    except (Halt, ChipSwapped, SupplyChanged) as met:
        interruption = met
    else:
        tally.add(course.count, course.count, 1)
        return Outcome(Status.OK)
    finally:
        board.tell = ()
    done, since_s = course.take_back(board.now_s)
    tally.add(done, done, 1)
    return (yield from _caught_up(board, _next_unit(board, span, tally, unit), since_s, interruption))


def _caught_up(board: Board, steps: Steps, since_s: float, interruption: Exception) -> Steps:
    """Carry out `steps` from an earlier time to the present, let a Halt meet them there, and go on."""
    now_s, board.now_s = board.now_s, since_s
    due_s = next(steps)
    while due_s <= now_s:
        board.now_s = due_s
        due_s = next(steps)
    board.now_s = now_s
    if isinstance(interruption, Halt):
        due_s = steps.throw(interruption)
    try:
        yield due_s
    except Halt as halt:
        yield steps.throw(halt)
    return (yield from steps)


def _unit_words(board: Board) -> int:
    page = board.part.page
    if board.part.loop.kind is LoopKind.PAGE_WRITE and page is not None:
        return page.words
    return max(1, int(PULSE_GRACE_S / _longest_s(board)))


def _longest_s(board: Board) -> float:
    """Return the longest that one write may take, the wait for further loads included."""
    page = board.part.page
    if page is None:
        return max(board.part.loop.pulse_ns / 1e9 * _CYCLE_SLACK, board.program_s)
    return (page.cycle_us * _CYCLE_SLACK + page.load_us) / 1e6


def _write_unit(board: Board, addresses: Addresses, words: Words, tally: Tally) -> Steps:
    geometry = board.part.geometry
    wrong = np.arange(len(words))
    if geometry.semantics is Semantics.CLEAR_ONLY:
        wrong = np.flatnonzero(words != geometry.blank_word)
    status, got = Status.OK, words
    for attempt in range(max(1, board.part.loop.max_pulses)):
        if wrong.size:
            tally.add(0, int(wrong.size), attempt + 1)
            ended = yield from _write(board, addresses[wrong], words[wrong])
            status = Status.OK if ended else Status.TIMED_OUT
        got = board.bus.read(Mode.READ, addresses, board.rails(Mode.READ))
        yield board.now_s + len(words) * board.read_s
        wrong = np.flatnonzero(got != words)
        if status is not Status.OK or not wrong.size:
            break
    if not wrong.size and status is Status.OK:
        tally.add(len(words), 0, 0)
        return Outcome(Status.OK)
    first = int(wrong[0]) if wrong.size else 0
    tally.add(first, 0, 0)
    if status is Status.OK:
        status = Status.PROGRAM_FAILED
        tally.failure = Failure(int(addresses[first]), int(words[first]), int(got[first]))
    return Outcome(status)


def _write(board: Board, addresses: Addresses, words: Words) -> Generator[float, None, bool]:
    """Write words or a page and wait for the end; return False when one takes longer than it may."""
    rails = board.rails(Mode.WRITE)
    longest_s = _longest_s(board)
    at_s, ended = board.now_s, True
    for one in _loads(board, addresses):
        at_s = _issue(board, addresses[one], words[one], rails, at_s)
        busy_s = max(0.0, board.bus.busy_until_s() - at_s)
        at_s += min(busy_s, longest_s) if polled(board) else longest_s
        ended = busy_s <= longest_s
        if not ended:
            break
    try:
        yield at_s
    except Halt as halt:
        # A write cycle cut short would leave anything in the word.
        if not halt.cut:
            yield at_s
        raise
    return ended


def _loads(board: Board, addresses: Addresses) -> Iterator[slice]:
    """Yield what is waited for at once: a whole page, else each word."""
    if board.part.loop.kind is LoopKind.PAGE_WRITE:
        yield slice(None)
    else:
        yield from (slice(place, place + 1) for place in range(len(addresses)))


def _issue(board: Board, addresses: Addresses, words: Words, rails: Rails, at_s: float) -> float:
    """Give the write cycles of one load from `at_s` on; return when they have been given."""
    match board.part.loop.kind:
        case LoopKind.PAGE_WRITE:
            board.bus.write_page(addresses, words, rails, at_s)
            return at_s + len(words) * board.program_s
        case LoopKind.COMMAND:
            target, word = int(addresses[0]), int(words[0])
            return issue_sequence(board, SequenceId.PROGRAM, rails, at_s, target, word)
        case _:
            board.bus.write(int(addresses[0]), int(words[0]), rails, at_s)
            return at_s + board.program_s
