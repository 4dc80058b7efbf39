"""SETUP: a part descriptor that comes in pieces, and is judged after the last (section 6 of `SPEC.md`)."""

from protocol.device import DeviceLink, Outcome
from protocol.messages import Setup, SetupResult
from protocol.wire import Status
from simulator.programmer.board import Board
from simulator.programmer.judge import judge
from simulator.programmer.steps import Steps


class Upload:
    """The pieces of one descriptor so far."""

    def __init__(self) -> None:
        self._of: tuple[int, int] | None = None
        self._data = bytearray()

    def take(self, board: Board, link: DeviceLink, piece: Setup) -> Steps:
        """Take one piece; after the last the part is set up, or refused."""
        board.set_up(None)  # a half-sent descriptor leaves no part (D23)
        refusal = self._refused(board, piece)
        if refusal is not None:
            self._of = None
            return Outcome(refusal)
        link.start_work(piece.work_id)
        if piece.offset_bytes == 0:
            self._of = piece.work_id, piece.total_bytes
            self._data.clear()
        self._data += piece.piece
        yield board.now_s
        if len(self._data) < piece.total_bytes:
            return Outcome(Status.OK, SetupResult(0, 0))
        self._of = None
        verdict = judge(bytes(self._data), board.profile.identity)
        if verdict.part is not None:
            board.set_up(verdict.part)
        return Outcome(verdict.status, verdict.where or SetupResult(0, 0))

    def _refused(self, board: Board, piece: Setup) -> Status | None:
        profile = board.profile
        if (
            piece.total_bytes > profile.identity.descriptor_max_bytes
            or len(piece.piece) > profile.limits.max_payload
        ):
            return Status.OUT_OF_RANGE
        follows = self._of == (piece.work_id, piece.total_bytes) and piece.offset_bytes == len(self._data)
        within = piece.offset_bytes + len(piece.piece) <= piece.total_bytes
        return None if within and (piece.offset_bytes == 0 or follows) else Status.MALFORMED
