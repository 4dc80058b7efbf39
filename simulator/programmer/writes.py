"""Loops of parts that time themselves: byte write, page write, command. Each unit is polled and read back."""

import numpy as np

from protocol.descriptor import LoopKind, Semantics, SequenceId
from protocol.device import Outcome
from protocol.wire import Mode, Status
from simulator.programmer.board import Board
from simulator.programmer.commands import run_sequence, wait_for_end
from simulator.programmer.ports import Addresses, Words
from simulator.programmer.sensing import addresses_of
from simulator.programmer.steps import Steps, Waits
from simulator.programmer.tally import Failure, Span, Tally

#: Granted beyond the maker's longest write cycle: the board's clock is no better (ours).
_CYCLE_SLACK = 1.05


def write_units(board: Board, span: Span, tally: Tally) -> Steps:
    """Write word by word, or page by page, each until it reads right or the attempts are used up."""
    part = board.part
    unit = part.page.words if part.loop.kind is LoopKind.PAGE_WRITE and part.page else 1
    while tally.words < span.count:
        done = tally.words
        address = span.address + done
        count = min(unit - address % unit, span.count - done)
        words = span.words(done, count)
        if span.read:
            yield board.now_s + count * board.read_s

        def progress(_now_s: float, done: int = done) -> int:
            return done

        board.progress = progress
        outcome = yield from _write_unit(board, addresses_of(address, count), words, tally)
        if outcome.status is not Status.OK:
            return Outcome(outcome.status, tally.result())
    return tally.outcome()


def _write_unit(board: Board, addresses: Addresses, words: Words, tally: Tally) -> Steps:
    geometry = board.part.geometry
    stays_erased = geometry.semantics is Semantics.CLEAR_ONLY and bool((words == geometry.blank_word).all())
    for attempt in range(max(1, board.part.loop.max_pulses)):
        if not stays_erased:
            tally.add(0, len(words), attempt + 1)
            yield from _issue(board, addresses, words)
            if not (yield from wait_for_end(board, _longest_s(board), finishes=True)):
                return Outcome(Status.TIMED_OUT)
        got = board.bus.read(Mode.READ, addresses, board.rails(Mode.READ))
        yield board.now_s + len(words) * board.read_s
        wrong = np.flatnonzero(got != words)
        if not wrong.size:
            tally.add(len(words), 0, 0)
            return Outcome(Status.OK)
        if stays_erased:
            break
    first = int(wrong[0])
    tally.add(first, 0, 0)
    tally.failure = Failure(int(addresses[first]), int(words[first]), int(got[first]))
    return Outcome(Status.PROGRAM_FAILED)


def _issue(board: Board, addresses: Addresses, words: Words) -> Waits:
    match board.part.loop.kind:
        case LoopKind.PAGE_WRITE:
            board.bus.write_page(addresses, words, board.rails(Mode.WRITE), board.now_s)
            yield board.now_s + len(words) * board.program_s
        case LoopKind.COMMAND:
            yield from run_sequence(board, SequenceId.PROGRAM, int(addresses[0]), int(words[0]))
        case _:
            board.bus.write(int(addresses[0]), int(words[0]), board.rails(Mode.WRITE), board.now_s)
            yield board.now_s + board.program_s


def _longest_s(board: Board) -> float:
    """Return the longest that one write may take, the wait for further loads included."""
    page = board.part.page
    if page is None:
        return board.part.loop.pulse_ns / 1e9 * _CYCLE_SLACK
    return (page.cycle_us * _CYCLE_SLACK + page.load_us) / 1e6
