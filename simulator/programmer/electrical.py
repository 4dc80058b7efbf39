"""ERASE and SEQUENCE: what a part does to itself when it is told to."""

from protocol.descriptor import ErasePulse, SequenceId
from protocol.device import DeviceLink, Outcome
from protocol.messages import Erase, EraseResult, Nothing, Sequence
from protocol.wire import EraseScope, Mode, Status
from simulator.programmer.board import Board
from simulator.programmer.commands import run_sequence, wait_for_end
from simulator.programmer.power import discharge_id
from simulator.programmer.sensing import outside
from simulator.programmer.steps import Steps

#: SEQUENCE is for these; the others belong to operations of their own.
_PLAIN = frozenset({SequenceId.UNLOCK, SequenceId.LOCK})


def erase(board: Board, _link: DeviceLink, request: Erase) -> Steps:
    """Erase the chip or a sector and wait for the end."""
    if board.part.erase_pulse is not None and request.scope is EraseScope.CHIP:
        return (yield from _by_voltage(board, board.part.erase_pulse))
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


def _by_voltage(board: Board, pulse: ErasePulse) -> Steps:
    """Give one erase pulse, with the ID voltage on only around it."""
    if (board.vcc_mv, board.vpp_mv) != (pulse.vcc_mv, pulse.vpp_mv):
        return Outcome(Status.SUPPLY_NOT_SET)
    begun_s = board.now_s
    board.supplies.id.set_mv(pulse.id_mv, board.now_s)
    yield board.now_s + board.settle_s
    width_s = pulse.pulse_us / 1e6
    yield board.now_s + width_s
    # A pulse that is stopped before its end has not erased: only the whole one acts.
    board.bus.erase_pulse(board.rails(Mode.ERASE), width_s)
    yield from discharge_id(board)
    return Outcome(Status.OK, EraseResult(round((board.now_s - begun_s) * 1000)))


def sequence(board: Board, _link: DeviceLink, request: Sequence) -> Steps:
    """Run a plain sequence and wait one write cycle."""
    if request.sequence not in _PLAIN or request.sequence not in board.part.sequences:
        return Outcome(Status.CANNOT)
    yield from run_sequence(board, SequenceId(request.sequence))
    cycle_us = board.part.page.cycle_us if board.part.page else 0
    yield board.now_s + cycle_us / 1e6
    return Outcome(Status.OK, Nothing())
