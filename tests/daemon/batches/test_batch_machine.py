"""The batch machine by itself: what it asks for, what it counts, and that nothing is counted twice."""

import pytest

from daemon.batches import machine
from daemon.batches.events import (
    Asked,
    CountIt,
    End,
    LabelOn,
    Pause,
    ProgrammerBack,
    Refused,
    RejectIt,
    Resume,
    Seat,
)
from daemon.batches.model import (
    Finding,
    Labels,
    Matching,
    Means,
    Phase,
    Policy,
    Purpose,
    Status,
    Verdict,
    Why,
)
from daemon.batches.words import instruction
from tests.support.batch_world import NOT_BLANK, SHAKY, World, plan_of


def good_chip(world):
    world.put_in(world.pick())
    world.work()


def said(world):
    return instruction(world.plan, world.state)


def test_all_of_one_position_then_all_of_the_next():
    world = World(plan_of(sets=3, positions=2))
    asked = []
    while world.state.status is Status.ACTIVE:
        item = world.plan.items[world.state.order.item]
        asked.append((item.position, item.set_number))
        world.take_out()
        good_chip(world)
    assert asked == [("U0", 1), ("U0", 2), ("U0", 3), ("U1", 1), ("U1", 2), ("U1", 3)]
    assert world.state.status is Status.FINISHED
    assert machine.counts(world.state)[Verdict.GOOD] == 6
    assert all(chip.labelled for chip in world.state.chips)


def test_it_asks_in_plain_words_and_says_where_each_chip_goes():
    world = World(plan_of(sets=2, positions=1))
    assert said(world).words == "Put a chip for U0, set 1 of 2, in the socket: PART, notch up."
    world.put_in(world.pick())
    assert said(world).code == "working"
    world.work()
    assert said(world).words.startswith("Good. Take it out, and stick its label on: Board U0, set 1")
    world.take_out()
    assert said(world).detail.startswith("Stick the label on now: Board U0, set 1")
    world.put_in(world.pick(fails=-1, finding=NOT_BLANK))
    world.work()
    world.work()
    assert said(world).words.startswith("Not erased. Take it out and put it on the pile for the lamp")


def test_a_chip_that_fails_is_tried_once_more_then_after_reseating_then_rejected():
    world = World(plan_of(sets=1, positions=1))
    chip = world.pick(fails=-1)
    world.put_in(chip)
    world.work()
    assert world.state.phase is Phase.LOOKING
    world.work()
    assert world.state.phase is Phase.WORKING  # at once, not touched
    assert world.state.order.continues_id == "j1"
    world.work()
    world.work()
    assert said(world).code == "reseat"
    world.put_in(chip)
    assert world.state.phase is Phase.WORKING
    world.work()
    world.work()
    [result] = world.state.chips
    assert result.verdict is Verdict.REJECT
    assert result.cause == "program-failed"
    assert said(world).code == "take-out-reject"
    world.finish()
    assert len(world.state.chips) == 2


def test_one_that_works_at_the_second_try_is_good():
    world = World(plan_of(sets=1, positions=1))
    world.put_in(world.pick(fails=1))
    for _ in range(3):
        world.work()
    assert world.state.status is Status.FINISHED
    assert world.state.chips[0].work_s == 3.0


def test_a_chip_taken_out_early_is_asked_for_again_and_finished():
    world = World(plan_of(sets=1, positions=1))
    chip = world.pick()
    world.put_in(chip)
    world.take_out()
    world.work()  # the job fails, since nothing answers
    world.work()  # and the pins show that no chip is there
    assert said(world).code == "put-back"
    assert world.state.order.continues_id == "j1"
    assert not world.state.chips
    world.put_in(chip)
    world.work()
    assert world.state.chips[0].verdict is Verdict.GOOD
    assert world.state.chips[0].taken_out == 1


@pytest.mark.parametrize("serials", [False, True])
def test_the_same_chip_put_in_twice_is_noticed_by_what_it_holds(serials):
    world = World(plan_of(sets=3, positions=1, serials=serials))
    chip = world.pick()
    world.put_in(chip)
    world.work()
    world.put_in(chip)
    world.work()
    assert [result.verdict for result in world.state.chips] == [Verdict.GOOD, Verdict.SET_ASIDE]
    assert world.state.chips[1].cause == ("put-in-twice" if serials else "already-programmed")
    assert world.state.made == {0}


def test_one_with_a_serial_number_that_is_to_be_made_counts_as_it_is():
    world = World(plan_of(sets=2, positions=1, serials=True))
    world.put_in(world.pick(content=1001))
    world.work()
    assert world.state.order.purpose is Purpose.CONFIRM
    world.work()
    assert world.state.chips[0].verdict is Verdict.ALREADY


def test_chips_that_were_programmed_before_count_if_the_policy_says_so():
    world = World(plan_of(sets=2, positions=1, policy=Policy(matching=Matching.ACCEPT)))
    good_chip(world)
    world.put_in(world.pick(content=1000))
    world.work()
    world.work()
    assert world.state.chips[1].verdict is Verdict.ALREADY


def test_before_any_is_made_none_can_have_been_put_in_twice():
    world = World(plan_of(sets=2, positions=1))
    world.put_in(world.pick(content=1000))
    world.work()
    world.work()
    assert world.state.chips[0].verdict is Verdict.ALREADY


def test_a_person_can_say_that_it_is_another_chip():
    world = World(plan_of(sets=3, positions=1))
    good_chip(world)
    world.put_in(world.pick(content=1000))
    world.work()
    assert world.state.chips[1].verdict is Verdict.SET_ASIDE
    world.happens(CountIt())
    assert world.working
    world.work()
    assert [result.verdict for result in world.state.chips] == [Verdict.GOOD, Verdict.ALREADY]
    world.happens(CountIt())
    assert len(world.state.chips) == 2


def test_content_of_another_position_is_never_erased():
    world = World(plan_of(sets=2, positions=2))
    world.put_in(world.pick(content=2000))
    world.work()
    [result] = world.state.chips
    assert (result.verdict, result.cause) == (Verdict.SET_ASIDE, "other-position")
    assert "U1" in result.words


def test_another_part_is_set_aside_and_no_reject():
    world = World(plan_of(sets=1, positions=1, policy=Policy(stop_after_rejects=1)))
    world.put_in(world.pick(other_part=True))
    world.work()
    world.work()
    assert world.state.chips[0].verdict is Verdict.SET_ASIDE
    assert world.state.status is Status.ACTIVE


def test_it_stops_after_so_many_rejects_and_goes_on_when_told():
    world = World(plan_of(sets=5, positions=1, policy=Policy(stop_after_rejects=2)))
    for _ in range(2):
        world.put_in(world.pick(fails=-1, finding=NOT_BLANK))
        world.work()
        world.work()
    assert (world.state.status, world.state.why) == (Status.PAUSED, Why.REJECTS)
    assert "2 chips have failed" in said(world).detail
    world.happens(Resume())
    assert world.state.status is Status.ACTIVE
    good_chip(world)
    world.finish()


def test_a_shaky_one_is_reseated_and_no_more():
    world = World(plan_of(sets=1, positions=1))
    chip = world.pick(fails=1, finding=SHAKY)
    world.put_in(chip)
    world.work()
    world.work()
    assert said(world).code == "reseat"
    world.put_in(chip)
    world.work()
    assert world.state.chips[0].verdict is Verdict.GOOD


def test_one_that_sits_badly_is_told_of_and_counted_once_for_each_way():
    world = World(plan_of(sets=1, positions=1))
    job = str(world.state.job_id)
    for words in ("It is in backwards.", "It is in backwards.", "Pin 25 (A8) makes no contact."):
        world.happens(Seat(job, "touching", words))
    assert said(world).words == "Pin 25 (A8) makes no contact."
    assert world.state.misseated == 2
    world.happens(RejectIt("pin broken off"))
    assert world.state.chips[0].verdict is Verdict.REJECT
    world.finish()


def test_what_the_job_asks_is_what_the_person_is_told():
    world = World(plan_of(sets=1, positions=1))
    world.put_in(world.pick())
    job = str(world.state.job_id)
    world.happens(Asked(job, "Set VPP to 12.50 V."))
    assert said(world).code == "question"
    assert said(world).words == "Set VPP to 12.50 V."
    world.happens(Asked(job, ""))
    assert said(world).code == "working"
    world.happens(Asked("another", "Set VPP to 21 V."))
    assert said(world).code == "working"


def test_the_label_can_be_waited_for():
    world = World(plan_of(sets=2, positions=1, policy=Policy(labels=Labels.CONFIRM)))
    good_chip(world)
    assert world.state.phase is Phase.LABEL
    assert said(world).words.startswith("Stick the label on now: Board U0, set 1")
    world.happens(Pause())
    world.happens(Resume())
    assert world.state.phase is Phase.LABEL
    world.happens(LabelOn())
    assert world.state.chips[0].labelled
    world.finish()
    assert all(chip.labelled for chip in world.state.chips)


def test_without_its_programmer_it_waits_and_goes_on_by_itself():
    world = World(plan_of(sets=2, positions=1))
    chip = world.pick()
    world.put_in(chip)
    world.plugged = False
    world.ended(Finding(Means.CUT_OFF, "link-lost", "the link was lost"))
    assert said(world).code == "no-programmer"
    world.plugged = True
    world.happens(ProgrammerBack())
    assert world.state.order.same_chip
    assert world.state.order.continues_id == "j1"
    world.put_in(chip)
    world.work()
    assert world.state.chips[0].verdict is Verdict.GOOD


def test_a_refusal_pauses_it_with_the_reason():
    world = World(plan_of(sets=1, positions=1))
    world.ended(Finding(Means.CUT_OFF, "link-lost", "lost"))
    world.plugged = False
    world.happens(ProgrammerBack())
    world.happens(Refused("lease-held", "the programmer is leased to somebody else"))
    assert (world.state.status, world.state.why) == (Status.PAUSED, Why.TROUBLE)
    assert "leased" in said(world).detail
    world.finish()


def test_a_sample_is_verified_again_and_a_bad_one_is_made_anew():
    world = World(plan_of(sets=4, positions=1, policy=Policy(re_verify=2)))
    for _ in range(4):
        world.take_out()
        good_chip(world)
    assert world.state.sample == (1, 3)
    assert said(world).code in ("take-out-good", "put-in-again")
    world.take_out()
    bad = world.chips[1]
    bad.content, bad.bad = 7, True
    world.put_in(bad)
    for _ in range(2):
        world.work()
    world.put_in(bad)
    for _ in range(2):
        world.work()
    assert world.state.chips[1].verdict is Verdict.REJECT
    assert world.state.chips[1].cause == "failed-later"
    assert world.state.made == {0, 2, 3}
    world.finish()
    assert sum(chip.re_verified for chip in world.state.chips) == 1


def test_ended_early_it_says_what_remains():
    world = World(plan_of(sets=2, positions=1))
    good_chip(world)
    world.put_in(world.pick())
    world.happens(End())
    assert world.state.status is Status.ENDED
    assert [result.verdict for result in world.state.chips] == [Verdict.GOOD, Verdict.UNFINISHED]
    world.happens(Resume())
    assert world.state.status is Status.ENDED
