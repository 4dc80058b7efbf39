"""What the end of a job does to its batch: the chip is judged, or tried again, or the batch is paused."""

from dataclasses import replace

from daemon.batches.model import (
    COUNTS_AS_MADE,
    FAILED,
    ChipResult,
    Finding,
    InHand,
    Item,
    Labels,
    Matching,
    Means,
    Order,
    Phase,
    Plan,
    Purpose,
    Remedy,
    State,
    Status,
    Verdict,
    Why,
)
from daemon.batches.orders import again, go_on, pause, with_order


def after_job(plan: Plan, state: State, finding: Finding, now_s: float) -> State:
    """Return the state after the job of its order has ended with `finding`."""
    order, job_id = state.order, state.job_id
    assert order is not None
    assert job_id is not None
    ours = state.cancelling == job_id
    state = replace(state, job_id=None, cancelling=None, asked="")
    if not state.arrived:
        return _untouched(state, finding, cancelled_by_us=ours)
    state = _noted(state, order, job_id, finding)
    if order.purpose is Purpose.LOOK and finding.means is not Means.CUT_OFF:
        return _looked(plan, state, finding, now_s)
    match finding.means:
        case Means.GOOD:
            return _good(plan, state, order, finding, now_s)
        case Means.HOLDS:
            return _holds(plan, state, finding, now_s)
        case Means.CHIP if finding.remedy is Remedy.NONE:
            # Bits that read 0: an empty socket reads as blank, so the chip was there.
            return judged(plan, state, finding.pile, finding.cause, finding.words, now_s)
        case Means.CHIP | Means.OTHER_PART:
            looking = with_order(state, Purpose.LOOK, order.item, waits=False)
            return replace(looking, pending=finding)
        case Means.HANDS:
            return bring_back(state, occupied=finding.present)
        case Means.TAKEN_OUT:
            return _taken_out(state)
        case Means.CUT_OFF:
            cut = bring_back(_cut(state), occupied=False)
            return replace(cut, phase=Phase.NO_PROGRAMMER) if cut.status is Status.ACTIVE else cut
        case _:
            stopped = bring_back(_cut(state), occupied=False)
            if ours:
                return stopped
            why = Why.CANCELLED if finding.means is Means.CANCELLED else Why.TROUBLE
            return pause(stopped, why, finding.words)


#: Ends after which a job that programmed is taken up, so that every word gets all its pulses.
_TAKEN_UP = frozenset({Means.CHIP, Means.CUT_OFF, Means.CANCELLED, Means.TROUBLE, Means.TAKEN_OUT})


def _noted(state: State, order: Order, job_id: str, finding: Finding) -> State:
    """Return the state with the job written down for the chip in hand."""
    hand = state.hand
    assert hand is not None
    takes_up = hand.takes_up
    if order.purpose is Purpose.MAKE and finding.means in _TAKEN_UP:
        takes_up = job_id
    hand = replace(
        hand, jobs=(*hand.jobs, job_id), work_s=hand.work_s + finding.work_s, takes_up=takes_up
    )  # fmt: skip
    return replace(state, hand=hand, instead=None)


def _untouched(state: State, finding: Finding, *, cancelled_by_us: bool) -> State:
    """Return the state after a job that ended before its chip was there."""
    instead = state.instead
    state = replace(state, instead=None)
    if cancelled_by_us and instead is not None:
        phase = Phase.STARTING if state.status is Status.ACTIVE else Phase.IDLE
        return replace(state, order=instead, phase=phase)
    state = again(state)
    if cancelled_by_us or state.status is not Status.ACTIVE:
        return state
    if finding.means is Means.CUT_OFF:
        return replace(state, phase=Phase.NO_PROGRAMMER)
    why = Why.CANCELLED if finding.means is Means.CANCELLED else Why.TROUBLE
    return pause(state, why, finding.words)


def _cut(state: State) -> State:
    assert state.hand is not None
    return replace(state, hand=replace(state.hand, cut=True))


def bring_back(state: State, *, occupied: bool) -> State:
    """Order that the chip in hand is put in again; what was begun on it is taken up.

    `occupied`: it has to come out first. While it is not known whether a chip that failed is still there,
    that is looked at once more instead.
    """
    hand = state.hand
    assert hand is not None
    if state.pending is not None:
        return with_order(state, Purpose.LOOK, hand.item, waits=False)
    makes = hand.item not in state.made
    return with_order(
        replace(state, occupied=occupied),
        Purpose.MAKE if makes else Purpose.RE_VERIFY,
        hand.item,
        occupied=occupied,
        same_chip=True,
        continues_id=hand.takes_up if makes else None,
    )


def _taken_out(state: State) -> State:
    """Ask for the chip that was taken out before it was done."""
    assert state.hand is not None
    hand = replace(state.hand, taken_out=state.hand.taken_out + 1)
    return bring_back(replace(state, hand=hand, pending=None), occupied=False)


# The chip is there


def _good(plan: Plan, state: State, order: Order, finding: Finding, now_s: float) -> State:
    hand = state.hand
    assert hand is not None
    if order.purpose is Purpose.RE_VERIFY:
        return _sample_good(plan, state, order.item)
    # A chip on which an earlier job of this batch was cut off was made by it.
    touched = order.purpose is Purpose.MAKE or hand.cut or hand.tries or hand.reseats
    verdict = Verdict.GOOD if touched else Verdict.ALREADY
    return judged(plan, state, verdict, finding.cause, finding.words, now_s)


def _sample_good(plan: Plan, state: State, item: int) -> State:
    chips = tuple(
        replace(chip, re_verified=True) if chip.item == item and chip.verdict in COUNTS_AS_MADE else chip
        for chip in state.chips
    )
    rest = tuple(each for each in state.sample if each != item)
    return go_on(plan, replace(state, chips=chips, sample=rest, hand=None, occupied=True))


def _holds(plan: Plan, state: State, finding: Finding, now_s: float) -> State:
    """Decide on a chip that already has a content of this batch: it may be one that was made before."""
    hand = state.hand
    assert hand is not None
    item = plan.items[hand.item]
    if finding.crc32 == item.crc32:
        own = hand.cut or hand.tries or hand.reseats or hand.taken_out
        first = not any(plan.items[each].crc32 == item.crc32 for each in state.made)
        if own or first or not item.shared or plan.policy.matching is Matching.ACCEPT:
            return with_order(state, Purpose.CONFIRM, item.index, waits=False)
        words = f"already holds the content for {place(item)}: was it put in a second time?"
        return judged(plan, state, Verdict.SET_ASIDE, "already-programmed", words, now_s, countable=True)
    others = [each for each in plan.items if each.crc32 == finding.crc32]
    if others and not others[0].shared:
        words = f"holds the content for {place(others[0])}, set {others[0].set_number}"
        cause = "put-in-twice" if others[0].index in state.made else "other-position"
    else:
        words = f"holds the content for {place(others[0])}" if others else finding.words
        cause = "other-position"
    return judged(plan, state, Verdict.SET_ASIDE, cause, words, now_s)


def place(item: Item) -> str:
    """Return a position as people say it: its label, and what it is for."""
    return f"{item.position} ({item.title})" if item.title else item.position


def _looked(plan: Plan, state: State, looked: Finding, now_s: float) -> State:
    """Return the state after it was looked whether the chip of a failed job is still there."""
    finding, hand, order = state.pending, state.hand, state.order
    assert finding is not None
    assert hand is not None
    assert order is not None
    state = replace(state, pending=None)
    if not looked.present:
        return _taken_out(state)
    if finding.means is Means.OTHER_PART:
        return judged(plan, state, Verdict.SET_ASIDE, finding.cause, finding.words, now_s)
    hand = replace(hand, problem=finding.words)
    re_verifies = order.item in state.made
    if finding.remedy is Remedy.RETRY and hand.tries < plan.policy.retries and not re_verifies:
        tried = replace(state, hand=replace(hand, tries=hand.tries + 1))
        return with_order(tried, Purpose.MAKE, order.item, waits=False, continues_id=hand.takes_up)
    if finding.remedy is not Remedy.NONE and hand.reseats < plan.policy.reseats:
        out = replace(hand, reseats=hand.reseats + 1)
        return bring_back(replace(state, hand=out), occupied=True)
    if re_verifies:
        return _sample_bad(plan, state, finding, now_s)
    return judged(plan, state, finding.pile, finding.cause, finding.words, now_s)


def _sample_bad(plan: Plan, state: State, finding: Finding, now_s: float) -> State:
    """Take a chip that failed when it was verified again out of those that are made; it is made anew."""
    order = state.order
    assert order is not None
    chips = tuple(
        replace(chip, verdict=finding.pile, cause="failed-later", words=finding.words, ended_s=now_s)
        if chip.item == order.item and chip.verdict in COUNTS_AS_MADE
        else chip
        for chip in state.chips
    )
    state = replace(
        state,
        chips=chips,
        made=state.made - {order.item},
        sample=tuple(each for each in state.sample if each != order.item),
        failed_since_resume=state.failed_since_resume + 1,
        hand=None,
        occupied=True,
    )
    return _next(plan, state)


def judged(
    plan: Plan,
    state: State,
    verdict: Verdict,
    cause: str,
    words: str,
    now_s: float,
    *,
    countable: bool = False,
) -> State:
    """Record what became of the chip in hand, and go on."""
    hand: InHand | None = state.hand
    assert hand is not None
    result = ChipResult(
        number=len(state.chips) + 1,
        item=hand.item,
        verdict=verdict,
        cause=cause,
        words=words,
        began_s=hand.began_s,
        ended_s=now_s,
        work_s=hand.work_s,
        jobs=hand.jobs,
        countable=countable,
        taken_out=hand.taken_out,
    )
    state = replace(
        state,
        chips=(*state.chips, result),
        made=state.made | {hand.item} if verdict in COUNTS_AS_MADE else state.made,
        failed_since_resume=state.failed_since_resume + (verdict in FAILED),
        hand=None,
        occupied=True,
    )
    return _next(plan, state)


def _next(plan: Plan, state: State) -> State:
    limit = plan.policy.stop_after_rejects
    last = state.last
    if limit and state.failed_since_resume >= limit and state.status is Status.ACTIVE:
        words = f"{state.failed_since_resume} chips have failed since it was begun or resumed"
        state = pause(replace(state, order=None), Why.REJECTS, words)
    made = last is not None and last.verdict in COUNTS_AS_MADE and not last.labelled
    if made and plan.policy.labels is Labels.CONFIRM:
        return replace(state, phase=Phase.LABEL, order=None)
    return go_on(plan, state)
