"""Command sequences: write cycles that tell a part what to do, and waiting for its end."""

from collections.abc import Generator

from protocol.descriptor import Polling, SequenceId, StepAddress, StepData
from protocol.wire import Mode
from simulator.programmer.board import Board
from simulator.programmer.steps import Halt, Waits


def run_sequence(board: Board, name: SequenceId, target: int = 0, word: int = 0) -> Waits:
    """Do the write cycles of sequence `name` with `target` and `word` in their places."""
    erase = board.part.erase
    sector_words = (erase.sector_words if erase else 0) or 1
    for step in board.part.sequences[name]:
        address = {
            StepAddress.LITERAL: step.address,
            StepAddress.TARGET: target,
            StepAddress.SECTOR: target - target % sector_words,
        }[step.address_kind]
        data = word if step.data_kind is StepData.TARGET else step.data
        board.bus.write(address, data, board.rails(Mode.WRITE), board.now_s)
        yield board.now_s + board.program_s


def wait_for_end(board: Board, longest_s: float, *, finishes: bool) -> Generator[float, None, bool]:
    """Wait until the part has done what it times itself; return False when it takes longer than `longest_s`.

    A part that cannot be polled is given all that time. With `finishes`, a Halt waits for the end of the
    cycle, as for the end of a pulse: a word cut short would hold anything.
    """
    begun_s = board.now_s
    end_s = begun_s + longest_s
    page = board.part.page
    if page is None or page.polling is not Polling.NONE:
        end_s = min(end_s, max(begun_s, board.bus.busy_until_s()))
    try:
        yield end_s
    except Halt as halt:
        if finishes and not halt.cut:
            yield end_s
        raise
    return board.bus.busy_until_s() <= board.now_s
