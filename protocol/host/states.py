"""States of the host's end and the moves between them (`SPEC.md` section 4, "States of the host")."""

from enum import Enum


class LinkState(Enum):
    """Where the link stands; `LOST` is final, a new attempt is a new link."""

    CLOSED = "closed"
    GREETING = "greeting"
    OPEN = "open"
    ABORTING = "aborting"
    LOST = "lost"


class Move(Enum):
    """What changes the state."""

    START = "start"
    WELCOMED = "welcomed"
    ABORT = "abort"
    ABORT_ANSWERED = "abort answered"
    LOSE = "lose"


TRANSITIONS: dict[LinkState, dict[Move, LinkState]] = {
    LinkState.CLOSED: {Move.START: LinkState.GREETING, Move.LOSE: LinkState.LOST},
    LinkState.GREETING: {Move.WELCOMED: LinkState.OPEN, Move.LOSE: LinkState.LOST},
    LinkState.OPEN: {Move.ABORT: LinkState.ABORTING, Move.LOSE: LinkState.LOST},
    LinkState.ABORTING: {Move.ABORT_ANSWERED: LinkState.OPEN, Move.LOSE: LinkState.LOST},
    LinkState.LOST: {},
}


class LinkStateError(RuntimeError):
    """Our own code asked for something that this state does not allow."""


def moved(state: LinkState, move: Move) -> LinkState:
    """Return the state after `move`. Raises LinkStateError for a move that the table does not have."""
    try:
        return TRANSITIONS[state][move]
    except KeyError as error:
        raise LinkStateError(f"{move.value} is not possible while the link is {state.value}") from error
