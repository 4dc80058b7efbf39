"""Which job comes next in a batch."""

from dataclasses import replace

from daemon.batches.model import Labels, Order, Phase, Plan, Purpose, State, Status, Why


def go_on(plan: Plan, state: State) -> State:
    """Order the job for the next chip; a batch that has all its chips is finished.

    A batch that is paused keeps the order until it is resumed.
    """
    state = _draw_sample(plan, state)
    item = next((each.index for each in plan.items if each.index not in state.made), None)
    if item is not None:
        return with_order(state, Purpose.MAKE, item, occupied=state.occupied)
    if state.sample:
        return with_order(state, Purpose.RE_VERIFY, state.sample[0], occupied=state.occupied)
    chips = state.chips
    if chips and plan.policy.labels is Labels.REMIND:
        chips = (*chips[:-1], replace(chips[-1], labelled=True))
    return replace(
        state, status=Status.FINISHED, phase=Phase.IDLE, order=None, why=None, why_words="", chips=chips
    )  # fmt: skip


def with_order(
    state: State,
    purpose: Purpose,
    item: int,
    *,
    waits: bool = True,
    occupied: bool = False,
    same_chip: bool = False,
    continues_id: str | None = None,
) -> State:
    """Return the state with this order as the next."""
    order = Order(state.orders + 1, purpose, item, waits, occupied, same_chip, continues_id)
    phase = Phase.STARTING if state.status is Status.ACTIVE else Phase.IDLE
    return replace(state, orders=order.number, order=order, phase=phase, job_id=None, arrived=False)


def again(state: State) -> State:
    """Return the state with its order given anew, as the socket is now: nothing came of it."""
    assert state.order is not None
    order = replace(
        state.order, number=state.orders + 1, occupied=state.order.waits and state.occupied
    )  # fmt: skip
    phase = Phase.STARTING if state.status is Status.ACTIVE else Phase.IDLE
    return replace(
        state, orders=order.number, order=order, job_id=None, arrived=False, phase=phase, seat_words=""
    )  # fmt: skip


def pause(state: State, why: Why, words: str) -> State:
    """Pause; what is under way goes on to its end, and a label that is waited for is waited for still."""
    keeps = state.job_id is not None or state.phase is Phase.LABEL
    return replace(
        state,
        status=Status.PAUSED,
        why=why,
        why_words=words,
        phase=state.phase if keeps else Phase.IDLE,
    )


def _draw_sample(plan: Plan, state: State) -> State:
    """When all chips are made, choose those to be verified again: spread evenly over the batch."""
    everything = len(plan.items)
    if state.sampled or not plan.policy.re_verify or len(state.made) < everything:
        return state
    count = min(plan.policy.re_verify, everything)
    chosen = tuple(plan.items[(2 * at + 1) * everything // (2 * count)].index for at in range(count))
    return replace(state, sample=chosen, sampled=True)
