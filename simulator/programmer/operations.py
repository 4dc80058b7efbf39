"""From an accepted request to the work that it means: what must hold first, and who does it."""

from collections.abc import Callable
from typing import Any

from protocol.device import Accepted, DeviceLink, Outcome
from protocol.messages import ClearFault, Needs, Nothing, Supply
from protocol.wire import Opcode, Status, SupplyAction
from simulator.programmer import altering, electrical, power, sensing
from simulator.programmer.board import Board
from simulator.programmer.steps import Steps
from simulator.programmer.uploading import Upload


class Operations:
    """The operations of one board, from one reset to the next."""

    def __init__(self, board: Board, link: DeviceLink) -> None:
        self._board = board
        self._link = link
        self._upload = Upload()
        self._confirmations = power.Confirmations()
        self._doers: dict[Opcode, Callable[[Board, DeviceLink, Any], Steps]] = {
            Opcode.SETUP: self._upload.take,
            Opcode.SUPPLY: self._supply,
            Opcode.CONTACT: sensing.contact,
            Opcode.IDENTIFY: sensing.identify,
            Opcode.READ: sensing.read,
            Opcode.BLANK: sensing.blank,
            Opcode.DIGEST: sensing.digest,
            Opcode.MEASURE: _measure,
            Opcode.STATS: _stats,
            Opcode.CLEAR_FAULT: _clear_fault,
            Opcode.PROGRAM: altering.alter,
            Opcode.FILL: altering.alter,
            Opcode.COPY: altering.alter,
            Opcode.ERASE: electrical.erase,
            Opcode.SEQUENCE: electrical.sequence,
        }

    def forget_confirmations(self) -> None:
        """Note that a new session has begun: what was set by hand has to be said again (D26)."""
        self._confirmations.clear()

    def run(self, request: Accepted) -> Steps:
        """Carry out `request`, or refuse it."""
        assert request.operation is not None
        refusal = self._refused(request)
        if refusal is not None:
            return Outcome(refusal)
        doer = self._doers[request.operation.opcode]
        return (yield from doer(self._board, self._link, request.message))

    def _refused(self, request: Accepted) -> Status | None:
        """Return what does not hold, in the order of section 8."""
        assert request.operation is not None
        needs = request.operation.needs
        if isinstance(request.message, Supply):
            match request.message.action:
                case SupplyAction.DISCHARGE:
                    return None  # never refused (D27)
                case SupplyAction.APPLY:
                    needs |= Needs.NO_FAULT
                case SupplyAction.CONFIRM:
                    pass
        board = self._board
        checks = (
            (Needs.NO_FAULT, not self._link.faults, Status.FAULTED),
            (Needs.SETUP, board.is_set_up, Status.NO_SETUP),
            (Needs.SUPPLIES_OFF, board.supplies.discharged(board.now_s), Status.WRONG_STATE),
            (Needs.VCC_ON, board.vcc_mv > 0 and board.settled, Status.SUPPLY_NOT_SET),
        )
        return next((status for need, holds, status in checks if need in needs and not holds), None)

    def _supply(self, board: Board, _link: DeviceLink, request: Supply) -> Steps:
        return power.supply(board, self._confirmations, request)


def _measure(board: Board, _link: DeviceLink, _request: Nothing) -> Steps:
    yield board.now_s
    return Outcome(Status.OK, board.measured())


def _stats(board: Board, link: DeviceLink, _request: Nothing) -> Steps:
    yield board.now_s
    return Outcome(Status.OK, link.stats(board.now_s))


def _clear_fault(board: Board, link: DeviceLink, request: ClearFault) -> Steps:
    yield board.now_s
    link.clear_faults(request.faults)
    return Outcome(Status.OK, Nothing())
