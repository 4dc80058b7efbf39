"""Command sequences: write cycles that tell a part what to do, and waiting for its end."""

from collections.abc import Generator

from protocol.descriptor import Polling, SequenceId, StepAddress, StepData
from protocol.wire import Mode
from simulator.programmer.board import Board
from simulator.programmer.steps import Waits
from simulator.rails import Rails


def issue_sequence(
    board: Board, name: SequenceId, rails: Rails, at_s: float, target: int = 0, word: int = 0
) -> float:
    """Do the write cycles of sequence `name` from `at_s` on, with `target` and `word` in their places.

    Returns when they are done; they are too short to be stopped in between.
    """
    erase = board.part.erase
    sector_words = (erase.sector_words if erase else 0) or 1
    for step in board.part.sequences[name]:
        match step.address_kind:
            case StepAddress.LITERAL:
                address = step.address
            case StepAddress.TARGET:
                address = target
            case StepAddress.SECTOR:
                address = target - target % sector_words
        data = word if step.data_kind is StepData.TARGET else step.data
        board.bus.write(address, data, rails, at_s)
        at_s += board.program_s
    return at_s


def run_sequence(board: Board, name: SequenceId, target: int = 0) -> Waits:
    """Do the write cycles of sequence `name` from now on."""
    yield issue_sequence(board, name, board.rails(Mode.WRITE), board.now_s, target)


def polled(board: Board) -> bool:
    """Whether the end of what the part does by itself is noticed, and need not be waited out."""
    page = board.part.page
    return page is None or page.polling is not Polling.NONE


def wait_for_end(board: Board, longest_s: float) -> Generator[float, None, bool]:
    """Wait until the part has done what it does; return False when it takes longer than `longest_s`."""
    end_s = board.now_s + longest_s
    if polled(board):
        end_s = min(end_s, max(board.now_s, board.bus.busy_until_s()))
    yield end_s
    return board.bus.busy_until_s() <= board.now_s
