"""ERASE and SEQUENCE: what a part does to itself when it is told to."""

from protocol.descriptor import SequenceId
from protocol.device import DeviceLink, Outcome
from protocol.messages import Erase, EraseResult, Nothing, Sequence
from protocol.wire import EraseScope, Status
from simulator.programmer.board import Board
from simulator.programmer.commands import run_sequence, wait_for_end
from simulator.programmer.sensing import outside
from simulator.programmer.steps import Steps

#: SEQUENCE is for these; the others belong to operations of their own.
_PLAIN = frozenset({SequenceId.UNLOCK, SequenceId.LOCK})


def erase(board: Board, _link: DeviceLink, request: Erase) -> Steps:
    """Erase the chip or a sector and wait for the end."""
    times = board.part.erase
    chip = request.scope is EraseScope.CHIP
    name = SequenceId.CHIP_ERASE if chip else SequenceId.SECTOR_ERASE
    longest_ms = 0 if times is None else times.chip_ms if chip else times.sector_ms
    if not longest_ms or name not in board.part.sequences:
        return Outcome(Status.CANNOT)
    if not chip and (refusal := outside(board, request.address, 1)) is not None:
        return Outcome(refusal)
    begun_s = board.now_s
    yield from run_sequence(board, name, 0 if chip else request.address)
    ended = yield from wait_for_end(board, longest_ms / 1000)
    took_ms = round((board.now_s - begun_s) * 1000)
    return Outcome(Status.OK if ended else Status.TIMED_OUT, EraseResult(took_ms))


def sequence(board: Board, _link: DeviceLink, request: Sequence) -> Steps:
    """Run a plain sequence and wait one write cycle."""
    if request.sequence not in _PLAIN or request.sequence not in board.part.sequences:
        return Outcome(Status.CANNOT)
    yield from run_sequence(board, SequenceId(request.sequence))
    cycle_us = board.part.page.cycle_us if board.part.page else 0
    yield board.now_s + cycle_us / 1e6
    return Outcome(Status.OK, Nothing())
