"""The batch as a state machine: events and the time in, the next state and what to cancel out. Pure.

At most one job is under way. `State.order` is the job that comes next; whoever drives the machine hands it in
when the batch is active and no job is, and says so by `Submitted` or `Refused`. Each job waits for its own
chip (see `daemon.seating`), so the machine need not know how a chip is noticed.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from daemon.batches import events as happened
from daemon.batches.ending import after_job, bring_back, judged
from daemon.batches.events import Cancel, Event
from daemon.batches.model import (
    COUNTS_AS_MADE,
    FAILED,
    OVER,
    InHand,
    Labels,
    Phase,
    Plan,
    Purpose,
    State,
    Status,
    Verdict,
    Why,
)
from daemon.batches.orders import again, go_on, pause, with_order

Moved = tuple[State, tuple[Cancel, ...]]


def begin(plan: Plan) -> State:
    """Return the state of a new batch, its first order given."""
    return go_on(plan, State())


def step(plan: Plan, state: State, event: Event, now_s: float) -> Moved:
    """Return the state after `event`, and the jobs to cancel.

    What does not suit the state is ignored: news of a job that is not ours any more, a pause of what is
    paused. `now_s` are seconds of the batch's clock.
    """
    if state.status in OVER:
        return state, ()
    return _STEPS[type(event)](plan, state, event, now_s)


def _submitted(plan: Plan, state: State, event: happened.Submitted, now_s: float) -> Moved:
    order = state.order
    if order is None or state.job_id is not None:
        return state, ()
    working = Phase.LOOKING if order.purpose is Purpose.LOOK else Phase.WORKING
    began = replace(
        state,
        job_id=event.job_id,
        arrived=not order.waits,
        # Its job says when it waits for the chip: until then nobody would notice one.
        phase=Phase.STARTING if order.waits else working,
        seat_words="",
    )
    return began, ()


def _refused(plan: Plan, state: State, event: happened.Refused, now_s: float) -> Moved:
    if state.order is None or state.job_id is not None:
        return state, ()
    ordered = bring_back(state, occupied=False) if state.hand is not None else again(state)
    if event.gone:
        phase = Phase.NO_PROGRAMMER if state.status is Status.ACTIVE else Phase.IDLE
        return replace(ordered, phase=phase), ()
    return pause(ordered, Why.TROUBLE, event.words), ()


def _seat(plan: Plan, state: State, event: happened.Seat, now_s: float) -> Moved:
    if event.job_id != state.job_id or state.arrived:
        return state, ()
    state = replace(state, phase=Phase.PUT_IN)
    if event.seat == "empty":
        return replace(state, occupied=False, seat_words=""), ()
    if event.seat == "touching" and event.words != state.seat_words:
        return replace(state, occupied=False, seat_words=event.words, misseated=state.misseated + 1), ()
    return state, ()


def _arrived(plan: Plan, state: State, event: happened.Arrived, now_s: float) -> Moved:
    order = state.order
    if event.job_id != state.job_id or state.arrived or order is None:
        return state, ()
    state = _labelled(plan, state) if plan.policy.labels is Labels.REMIND else state
    hand = state.hand or InHand(order.item, now_s)
    return replace(
        state, arrived=True, occupied=False, phase=Phase.WORKING, hand=hand, seat_words=""
    ), ()  # fmt: skip


def _asked(plan: Plan, state: State, event: happened.Asked, now_s: float) -> Moved:
    if event.job_id != state.job_id:
        return state, ()
    return replace(state, asked=event.words), ()


def _labelled(plan: Plan, state: State) -> State:
    """Note that the chip made last has its label."""
    last = state.last
    if last is None or last.verdict not in COUNTS_AS_MADE or last.labelled:
        return state
    return replace(state, chips=(*state.chips[:-1], replace(last, labelled=True)))


def _ended(plan: Plan, state: State, event: happened.Ended, now_s: float) -> Moved:
    if event.job_id != state.job_id:
        return state, ()
    return after_job(plan, state, event.finding, now_s), ()


def _pause(plan: Plan, state: State, event: happened.Pause, now_s: float) -> Moved:
    if state.status is not Status.ACTIVE:
        return state, ()
    paused = pause(state, Why.PERSON, "")
    if state.job_id is not None and not state.arrived:
        return replace(paused, cancelling=state.job_id), (Cancel(state.job_id),)
    return paused, ()


def _resume(plan: Plan, state: State, event: happened.Resume, now_s: float) -> Moved:
    if state.status is not Status.PAUSED:
        return state, ()
    resumed = replace(state, status=Status.ACTIVE, why=None, why_words="", failed_since_resume=0)
    if resumed.job_id is not None or resumed.phase is Phase.LABEL:
        return resumed, ()
    if resumed.hand is not None:
        # It may have been taken out meanwhile; if it was not, it is noticed at once.
        return bring_back(resumed, occupied=False), ()
    if resumed.order is not None:
        return replace(resumed, phase=Phase.STARTING), ()
    return go_on(plan, resumed), ()


def _end(plan: Plan, state: State, event: happened.End, now_s: float) -> Moved:
    ended = state
    if state.hand is not None and state.hand.item not in state.made:
        words = "the batch was ended while it was worked on"
        ended = judged(plan, state, Verdict.UNFINISHED, "ended", words, now_s)
    cancels = (Cancel(state.job_id),) if state.job_id is not None else ()
    ended = replace(
        ended, status=Status.ENDED, phase=Phase.IDLE, order=None, job_id=None, instead=None, pending=None,
        cancelling=None, why=None, why_words="", hand=None,
    )  # fmt: skip
    return ended, cancels


def _label_on(plan: Plan, state: State, event: happened.LabelOn, now_s: float) -> Moved:
    labelled = _labelled(plan, state)
    if state.phase is not Phase.LABEL:
        return labelled, ()
    return go_on(plan, labelled), ()


def _count_it(plan: Plan, state: State, event: happened.CountIt, now_s: float) -> Moved:
    """Verify the chip that was set aside, and count it if it is good."""
    last = state.last
    if last is None or not last.countable or not state.occupied or state.hand is not None:
        return state, ()
    hand = InHand(last.item, last.began_s, jobs=last.jobs, work_s=last.work_s)
    back = replace(state, chips=state.chips[:-1], hand=hand)
    return _instead(state, with_order(back, Purpose.CONFIRM, last.item, waits=False))


def _reject_it(plan: Plan, state: State, event: happened.RejectIt, now_s: float) -> Moved:
    if state.order is None or (state.job_id is not None and state.arrived) or not state.order.waits:
        return state, ()
    if state.order.item in state.made:
        return state, ()
    hand = state.hand or InHand(state.order.item, now_s)
    rejected = judged(
        plan, replace(state, hand=hand, seat_words=""), Verdict.REJECT, "by-hand", event.words, now_s
    )  # fmt: skip
    return _instead(state, rejected)


def _instead(before: State, after: State) -> Moved:
    """Let the order of `after` follow when the job that waits for a chip has been cancelled."""
    if before.job_id is None:
        return after, ()
    waiting = replace(
        after, order=before.order, job_id=before.job_id, arrived=False, instead=after.order,
        cancelling=before.job_id, phase=Phase.STARTING,
    )  # fmt: skip
    return waiting, (Cancel(before.job_id),)


def _programmer_back(plan: Plan, state: State, event: happened.ProgrammerBack, now_s: float) -> Moved:
    if state.status is Status.ACTIVE and state.phase is Phase.NO_PROGRAMMER:
        return replace(state, phase=Phase.STARTING), ()
    return state, ()


def _restarted(plan: Plan, state: State, event: happened.Restarted, now_s: float) -> Moved:
    if state.status is not Status.ACTIVE:
        return state, ()
    paused = pause(state, Why.RESTART, "")
    if state.job_id is None and state.hand is not None:
        return bring_back(paused, occupied=False), ()
    return paused, ()


_STEPS: Mapping[type, Callable[[Plan, State, Any, float], Moved]] = {
    happened.Submitted: _submitted,
    happened.Refused: _refused,
    happened.Seat: _seat,
    happened.Arrived: _arrived,
    happened.Asked: _asked,
    happened.Ended: _ended,
    happened.Pause: _pause,
    happened.Resume: _resume,
    happened.End: _end,
    happened.LabelOn: _label_on,
    happened.CountIt: _count_it,
    happened.RejectIt: _reject_it,
    happened.ProgrammerBack: _programmer_back,
    happened.Restarted: _restarted,
}


def counts(state: State) -> dict[Verdict, int]:
    """Return how many chips came to each end; together they are all chips that were put in."""
    return {verdict: sum(chip.verdict is verdict for chip in state.chips) for verdict in Verdict}


def failed(state: State) -> int:
    """Return how many chips went to a pile for what they are."""
    return sum(chip.verdict in FAILED for chip in state.chips)
