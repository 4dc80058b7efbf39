"""SUPPLY: setting the supplies and taking them off, in the order that hurts no chip (D21, D25 to D27)."""

from protocol.device import Outcome
from protocol.identity import SupplyRange
from protocol.messages import Measured, Supply
from protocol.wire import NONE_U16, Status, SupplyAction, SupplyKind
from simulator.programmer.board import Board
from simulator.programmer.steps import Halt, Steps, Waits
from simulator.supplies import DISCHARGED_V

#: An over-current is noticed at the latest after this many time constants of the rising supply.
_NOTICED_AFTER = 1.0


class Confirmations:
    """The values of hand-set supplies that the user has said to have set, in this session (D26)."""

    def __init__(self) -> None:
        self._confirmed: set[tuple[str, int]] = set()

    def clear(self) -> None:
        """Forget all: a new session has begun."""
        self._confirmed.clear()

    def note(self, board: Board, request: Supply) -> None:
        """Take the values of `request` as set by hand, in place of those before."""
        self._confirmed = set(self._by_hand(board, request))

    def lacks(self, board: Board, request: Supply) -> bool:
        """Whether `request` has a hand-set value that was not confirmed."""
        return not self._confirmed.issuperset(self._by_hand(board, request))

    def _by_hand(self, board: Board, request: Supply) -> list[tuple[str, int]]:
        identity = board.profile.identity
        values = (("vcc", identity.vcc, request.vcc_mv), ("vpp", identity.vpp, request.vpp_mv))
        return [(name, mv) for name, supply, mv in values if mv and supply.kind is SupplyKind.HAND_SET]


def supply(board: Board, confirmations: Confirmations, request: Supply) -> Steps:
    """Carry out a SUPPLY whose needs are met."""
    if request.action is SupplyAction.DISCHARGE:
        yield from discharge(board)
        return Outcome(Status.OK, board.measured())
    refusal = refused(board, request)
    if refusal is not None:
        return Outcome(refusal)
    if request.action is SupplyAction.CONFIRM:
        confirmations.note(board, request)
        return Outcome(Status.OK, _standing(board))
    if confirmations.lacks(board, request):
        return Outcome(Status.NEEDS_CONFIRMATION)
    try:
        yield from _apply(board, request)
    except Halt as halt:
        halt.detail = board.measured()
        raise
    return Outcome(Status.OK, board.measured())


def refused(board: Board, request: Supply) -> Status | None:
    """Return why these values cannot be set, None when they can; nothing has changed (D25)."""
    limits = board.part.supplies
    identity = board.profile.identity
    vcc_mv, vpp_mv = request.vcc_mv, request.vpp_mv
    if vpp_mv and not vcc_mv:
        return Status.WRONG_STATE
    lowest_mv = min(limits.vcc_low_mv, limits.vcc_read_mv, limits.vcc_program_mv)
    highest_mv = max(limits.vcc_high_mv, limits.vcc_read_mv, limits.vcc_program_mv)
    if vcc_mv and not lowest_mv <= vcc_mv <= highest_mv:
        return Status.LIMIT
    for value_mv, most_mv, own in (
        (vcc_mv, limits.vcc_max_mv, identity.vcc),
        (vpp_mv, limits.vpp_max_mv, identity.vpp),
    ):
        if value_mv and (value_mv + own.tolerance_mv > most_mv or not _can_make(own, value_mv)):
            return Status.LIMIT
    return None


def _can_make(own: SupplyRange, value_mv: int) -> bool:
    match own.kind:
        case SupplyKind.ABSENT:
            return False
        case SupplyKind.FIXED:
            return abs(value_mv - own.minimum_mv) <= own.tolerance_mv
        case _:
            return own.minimum_mv <= value_mv <= own.maximum_mv


def _standing(board: Board) -> Measured:
    """Measure: hand-set supplies ahead of their switch, so that the user sees what is set."""
    now = board.measured()
    ahead = {}
    for name, design in (("vcc_mv", board.supplies.vcc), ("vpp_mv", board.supplies.vpp)):
        value_mv = getattr(now, name)
        if design.design.range.kind is SupplyKind.HAND_SET and not design.on:
            standing_mv = design.standing_mv()
            value_mv = NONE_U16 if standing_mv is None else standing_mv
        ahead[name] = value_mv
    return Measured(ahead["vcc_mv"], ahead["vpp_mv"], now.id_mv)


def _apply(board: Board, request: Supply) -> Waits:
    if not request.vcc_mv:
        yield from discharge(board)
        return
    board.settled = False
    if request.vpp_mv < board.vpp_mv:
        yield from _set_vpp(board, request.vpp_mv)
    if request.vcc_mv != board.vcc_mv or not board.supplies.vcc.on:
        board.supplies.vcc.set_mv(request.vcc_mv, board.now_s)
        board.vcc_mv = request.vcc_mv
        yield from _settle(board, board.supplies.vcc.design.rise_s)
    if request.vpp_mv != board.vpp_mv:
        yield from _set_vpp(board, request.vpp_mv)
    board.check_at_rest()
    board.check_tolerance()
    board.settled = True


def _set_vpp(board: Board, value_mv: int) -> Waits:
    vpp = board.supplies.vpp
    board.vpp_mv = value_mv
    vpp.set_mv(value_mv, board.now_s)
    if value_mv:
        yield from _settle(board, vpp.design.rise_s)
    else:
        yield vpp.below_s(DISCHARGED_V, board.now_s)


def _settle(board: Board, rise_s: float) -> Waits:
    begun_s = board.now_s
    yield begun_s + _NOTICED_AFTER * rise_s
    board.check_at_rest()
    yield begun_s + board.settle_s
    board.check_at_rest()
    board.check_tolerance()


def discharge(board: Board) -> Waits:
    """Take the ID voltage and VPP off, then VCC, and wait until all are below 0.5 V."""
    supplies = board.supplies
    board.vcc_mv = board.vpp_mv = 0
    board.settled = False
    for first in (supplies.id, supplies.vpp):
        if first.on:
            first.set_mv(0, board.now_s)
    if supplies.vcc.on:
        # A chip must not see VPP without VCC, so VCC stays until VPP is no higher.
        level_v = max(DISCHARGED_V, supplies.vcc.voltage_v(board.now_s))
        yield max(first.below_s(level_v, board.now_s) for first in (supplies.id, supplies.vpp))
        supplies.vcc.set_mv(0, board.now_s)
    yield supplies.discharged_s(board.now_s)


def discharge_id(board: Board) -> Waits:
    """Take the ID voltage off and wait until it has gone."""
    supply_ = board.supplies.id
    supply_.set_mv(0, board.now_s)
    yield supply_.below_s(DISCHARGED_V, board.now_s)
