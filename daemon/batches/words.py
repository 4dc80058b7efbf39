"""What a batch says to the person at the bench: one instruction at a time, as plain as can be."""

from dataclasses import dataclass, replace

from daemon.batches.ending import place
from daemon.batches.model import (
    COUNTS_AS_MADE,
    ChipResult,
    Item,
    Labels,
    Order,
    Phase,
    Plan,
    Purpose,
    State,
    Status,
    Verdict,
    Why,
)

SWITCH_OFF = (
    "Fit chips only into equipment that is switched off and unplugged, and never clip onto a running board."
)
"""Said when a batch is finished: then the chips go to their boards."""


@dataclass(frozen=True, slots=True)
class Instruction:
    """What to do now, in one sentence for large letters; `detail` says more, `code` what kind it is."""

    code: str
    words: str
    detail: str = ""


def instruction(plan: Plan, state: State) -> Instruction:
    """Return what the person at the bench is to do, or what they wait for."""
    if state.status is Status.FINISHED:
        return _finished(plan, state)
    if state.status is Status.ENDED:
        return Instruction("ended", f"Ended. {len(state.made)} of {len(plan.items)} chips are made.", "")
    if state.phase is Phase.LABEL:
        words = f"Stick the label on now: {_label(plan, state)}."
        return Instruction("label", words, "Say so when it is on.")
    if state.phase is Phase.NO_PROGRAMMER:
        return Instruction(
            "no-programmer",
            "The programmer does not answer: plug it in again.",
            "The batch goes on by itself when it is back.",
        )
    if state.status is Status.PAUSED and (state.job_id is None or not state.arrived):
        return _paused(plan, state)
    if state.asked:
        return Instruction("question", state.asked, "The job waits for the answer.")
    match state.phase:
        case Phase.PUT_IN:
            told = _put_in(plan, state)
            return replace(told, detail=f"{told.detail} {plan.say_so}".strip()) if plan.say_so else told
        case Phase.LOOKING:
            words = "Leave the chip in: looking whether it still sits."
            return Instruction("looking", words, _about(plan, state))
        case Phase.WORKING:
            return _working(plan, state)
        case _:
            return Instruction("starting", "One moment.", _about(plan, state))


def awaited_words(plan: Plan, order: Order) -> str:
    """Return what is to be put in for an order, to go after "Put in": for the job's question."""
    item = plan.items[order.item]
    if order.same_chip:
        return f"the same chip again, for {_where(plan, item)}"
    if order.purpose is Purpose.RE_VERIFY:
        return f"the chip that was made for {_where(plan, item)}"
    return f"a chip for {_where(plan, item)}: {item.part_name}, notch up"


def _where(plan: Plan, item: Item) -> str:
    return f"{place(item)}, set {item.set_number} of {_last_set(plan)}"


def _last_set(plan: Plan) -> int:
    return plan.first_set + plan.sets - 1


def _put_in(plan: Plan, state: State) -> Instruction:
    order = state.order
    assert order is not None
    item = plan.items[order.item]
    where = _where(plan, item)
    if state.seat_words:
        return Instruction("sits-badly", state.seat_words, f"Waiting for {awaited_words(plan, order)}.")
    if state.occupied:
        return _take_out(plan, state)
    label = f"Stick the label on now: {_label(plan, state)}. " if _labels_now(plan, state) else ""
    if order.same_chip and state.hand is not None:
        return Instruction("put-back", f"Put the same chip back in the socket, for {where}.", _problem(state))
    if order.purpose is Purpose.RE_VERIFY:
        words = f"Put the chip that was made for {where} in the socket, to verify it again."
        return Instruction("put-in-again", words, f"{label}Any chip labelled for this position will do.")
    words = f"Put a chip for {where}, in the socket: {item.part_name}, notch up."
    return Instruction("put-in", words, f"{label}{_socket_end(item)}".strip())


def _socket_end(item: Item) -> str:
    """Say where a chip goes in a socket that is longer than it."""
    return f"A {item.pins}-pin chip goes to the bottom end of a longer socket."


def _take_out(plan: Plan, state: State) -> Instruction:
    order, last, hand = state.order, state.last, state.hand
    assert order is not None
    then = f"Then put in {awaited_words(plan, order)}."
    if hand is not None:
        return Instruction("reseat", "Take the chip out and put the same one in again.", _problem(state))
    if last is None:
        return Instruction("take-out", "Take the chip out of the socket.", then)
    if last.verdict in COUNTS_AS_MADE:
        reminds = plan.policy.labels is Labels.REMIND
        label = f", and stick its label on: {_label(plan, state)}" if reminds else ""
        return Instruction("take-out-good", f"Good. Take it out{label}.", then)
    why = f"{last.words[:1].upper()}{last.words[1:]}"
    return Instruction(f"take-out-{last.verdict}", f"{_pile_words(last)}.", f"{why}{_stop(why)} {then}")


_PILES = {
    Verdict.REJECT: "Bad. Take it out and put it on the reject pile",
    Verdict.RE_EXPOSE: "Not erased. Take it out and put it on the pile for the lamp",
    Verdict.SET_ASIDE: "Not this one. Take it out and put it aside",
    Verdict.UNFINISHED: "Not finished. Take it out and put it aside",
}


def _pile_words(chip: ChipResult) -> str:
    return _PILES.get(chip.verdict, "Take it out")


def _stop(words: str) -> str:
    return "" if words.endswith((".", "?", "!")) else "."


def _problem(state: State) -> str:
    hand = state.hand
    if hand is None:
        return ""
    if hand.taken_out and not hand.problem:
        return "It was taken out before it was done. It is looked at first, and then finished."
    if hand.cut and not hand.problem:
        return "The work on it was cut off. It is looked at first, and then finished."
    return f"Clean its pins. What was wrong: {hand.problem}." if hand.problem else ""


def _labels_now(plan: Plan, state: State) -> bool:
    last = state.last
    made = last is not None and last.verdict in COUNTS_AS_MADE and not last.labelled
    return made and plan.policy.labels is Labels.REMIND


def _label(plan: Plan, state: State) -> str:
    assert state.last is not None
    item = plan.items[state.last.item]
    return f"{plan.board_name} {item.position}, set {item.set_number}, CRC-32 {item.crc32:08X}"


def _working(plan: Plan, state: State) -> Instruction:
    assert state.order is not None
    item = plan.items[state.order.item]
    doing = {
        Purpose.MAKE: "programming and verifying",
        Purpose.CONFIRM: "verifying what it already holds",
        Purpose.RE_VERIFY: "verifying it again",
    }.get(state.order.purpose, "working")
    again = state.hand is not None and state.hand.tries
    tail = " Trying once more." if again else ""
    return Instruction("working", f"Leave the chip in: {doing}.", f"{_where(plan, item)}.{tail}")


def _about(plan: Plan, state: State) -> str:
    return f"{_where(plan, plan.items[state.order.item])}." if state.order is not None else ""


def _paused(plan: Plan, state: State) -> Instruction:
    words = {
        Why.PERSON: "Paused.",
        Why.RESTART: "Paused, since the daemon was ended and started again.",
        Why.REJECTS: "Paused: too many chips fail.",
        Why.CANCELLED: "Paused, since its job was cancelled.",
        Why.TROUBLE: "Paused, since something is wrong that another chip would not cure.",
    }[state.why or Why.PERSON]
    detail = f"{state.why_words[:1].upper()}{state.why_words[1:]}. " if state.why_words else ""
    return Instruction("paused", words, f"{detail}Resume it to go on where it stopped.")


def _finished(plan: Plan, state: State) -> Instruction:
    sets = f"{plan.sets} set{'s' if plan.sets != 1 else ''}"
    last = state.last
    label = ""
    if last is not None and last.verdict in COUNTS_AS_MADE and plan.policy.labels is Labels.REMIND:
        label = f"Take the last chip out and stick its label on: {_label(plan, state)}. "
    return Instruction("finished", f"Done: {sets} of {plan.board_name} made.", f"{label}{SWITCH_OFF}")
