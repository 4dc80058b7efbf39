"""Whole batches on a simulated bench in virtual time, and everything that goes wrong on a Saturday."""

import threading
from dataclasses import replace

import pytest

from daemon.batches.model import Phase, Status, Verdict, Why
from daemon.batches.request import Act, BatchPolicy
from daemon.batches.setting_up import job_request
from daemon.batches.words import instruction
from daemon.errors import BenchError, Code
from protocol.wire import Capability
from simulator.programmer.profile import full, modest
from simulator.socket import Placement
from simulator.stock import Stock, make_socket
from simulator.supplies import SupplyName
from tests.support.batch_bench import FILE, PART, PARTS, held, person_at_bench
from tests.support.ports import until

LOW, HIGH = FILE[:0x2000], FILE[0x2000:]


def stock(kind, seed=1):
    """Return a chip as the simulator's stock has it."""
    return make_socket(PARTS.get(PART), kind, seed).remove()


def judged(person, count):
    until(lambda: len(person.batch.state.chips) >= count, 30)


def test_two_sets_from_blank_chips_to_verified_ones(tmp_path):
    with person_at_bench(tmp_path) as person:
        person.start(sets=2)
        person.hears("put-in")
        made = [person.make_one() for _ in range(4)]
        live = person.batch
        assert live.state.status is Status.FINISHED
        assert person.verdicts() == ["good"] * 4
        assert [held(chip) for chip in made] == [LOW] * 2 + [HIGH] * 2
        assert person.one.supplies_off
        assert [chip.work_s > 0 for chip in live.state.chips] == [True] * 4
        told = [event for event in person.one.bench.store.events.after(0) if event.type == "batch-chip"]
        assert [event.data["good"] for event in told] == [True] * 4


def test_serial_numbers_make_it_go_set_by_set(tmp_path):
    with person_at_bench(tmp_path, serials=True) as person:
        live = person.start(sets=2, first_set=11)
        assert [(item.position, item.set_number) for item in live.plan.items] == [
            ("U1", 11),
            ("U2", 11),
            ("U1", 12),
            ("U2", 12),
        ]
        made = [person.make_one() for _ in range(4)]
        assert person.batch.state.status is Status.FINISHED
        # docs/boards.md: the number of a copy is start + copy x step, the eleventh set being copy 10.
        assert [held(chip)[0x100:0x104] for chip in made[::2]] == [b"0051", b"0052"]
        assert held(made[1]) == held(made[3]) == HIGH


def test_a_used_chip_goes_to_the_lamp_and_another_is_asked_for(tmp_path):
    with person_at_bench(tmp_path) as person:
        person.start(sets=1, positions=("U1",))
        person.put_in(stock(Stock.USED))
        judged(person, 1)
        person.hears("take-out-re-expose")
        live = person.batch
        words = instruction(live.plan, live.state).words
        assert words == "Not erased. Take it out and put it on the pile for the lamp."
        assert live.state.chips[0].cause == "not-blank"
        person.make_one()
        assert person.batch.state.status is Status.FINISHED
        assert person.verdicts() == ["re-expose", "good"]


def test_a_chip_with_a_bit_that_does_not_take_is_tried_reseated_and_rejected(tmp_path):
    with person_at_bench(tmp_path) as person:
        person.start(sets=1, positions=("U1",))
        chip = stock(Stock.BLANK)
        chip.cells.stuck(5, 0, 1)
        content = next(at for at in range(96) if not LOW[at] & 1)
        chip.cells.stuck(content, 0, 1)
        person.put_in(chip)
        person.hears("reseat")
        person.swap(chip)
        judged(person, 1)
        [result] = person.batch.state.chips
        assert (result.verdict, result.cause) == (Verdict.REJECT, "program-failed")
        # Programmed, looked at, tried again, looked at, and both once more after it was reseated.
        kinds = [person.one.bench.job(job).kind.value for job in result.jobs]
        assert kinds == ["program", "pin-check"] * 3
        jobs = [person.one.bench.job(job) for job in result.jobs[::2]]
        assert [job.continues_id for job in jobs[1:]] == [jobs[0].id, jobs[1].id]


def test_another_part_is_set_aside(tmp_path):
    with person_at_bench(tmp_path) as person:
        person.start(sets=1, positions=("U1",), policy=BatchPolicy(stop_after_rejects=1))
        person.put_in(person.chip("st-m27c256b"))
        judged(person, 1)
        assert person.verdicts() == ["set-aside"]
        person.make_one()
        assert person.batch.state.status is Status.FINISHED


def test_the_same_chip_put_in_twice_is_noticed(tmp_path):
    with person_at_bench(tmp_path) as person:
        person.start(sets=2, positions=("U1",))
        chip = person.make_one()
        person.swap(chip)
        judged(person, 2)
        assert person.verdicts() == ["good", "set-aside"]
        assert "second time" in person.batch.state.chips[1].words
        person.make_one()
        assert person.batch.state.status is Status.FINISHED


def test_one_programmed_before_counts_when_a_person_says_so(tmp_path):
    with person_at_bench(tmp_path) as person:
        person.start(sets=2, positions=("U1",))
        person.make_one()
        person.swap(person.chip(content=LOW))
        judged(person, 2)
        person.hears("take-out-set-aside")
        person.act(Act.COUNT)
        until(lambda: person.batch.state.status is Status.FINISHED)
        assert person.verdicts() == ["good", "already"]
        kinds = [person.one.bench.job(job).kind.value for job in person.batch.state.chips[1].jobs]
        assert kinds == ["program", "verify"]


def test_the_other_position_is_recognised(tmp_path):
    with person_at_bench(tmp_path) as person:
        person.start(sets=1)
        chip = person.put_in(person.chip(content=HIGH))
        judged(person, 1)
        [result] = person.batch.state.chips
        assert (result.verdict, result.cause) == (Verdict.SET_ASIDE, "other-position")
        assert result.words == "holds the content for U2 (upper half), set 1"
        assert held(chip) == HIGH


def test_a_chip_taken_out_early_is_asked_for_again_and_finished(tmp_path):
    with person_at_bench(tmp_path) as person:
        person.start(sets=1, positions=("U1",))
        hold = person.one.hold(step="program")
        chip = person.put_in(person.chip())
        hold.reached()
        person.hands.now(lambda board, now_s: board.remove(now_s))
        hold.let_go()
        person.hears("put-back")
        assert not person.batch.state.chips
        person.put_in(chip)
        until(lambda: person.batch.state.status is Status.FINISHED, 30)
        [result] = person.batch.state.chips
        assert (result.verdict, result.taken_out) == (Verdict.GOOD, 1)
        assert held(chip) == LOW


def test_one_that_is_in_backwards_is_told_of_before_anything_is_powered(tmp_path):
    with person_at_bench(tmp_path) as person:
        person.start(sets=1, positions=("U1",))
        chip = person.put_in(person.chip(), Placement(reversed=True))
        person.hears("sits-badly")
        live = person.batch
        assert "backwards" in instruction(live.plan, live.state).words
        assert person.programmer.supplies.vcc.switch_ons == 0
        person.take_out()
        person.put_in(chip)
        until(lambda: person.batch.state.status is Status.FINISHED, 30)
        assert person.batch.state.misseated == 1


def test_pause_and_resume_while_it_waits_and_while_it_works(tmp_path):
    with person_at_bench(tmp_path) as person:
        person.start(sets=2, positions=("U1",))
        person.act(Act.PAUSE)
        person.hears("paused")
        until(lambda: person.batch.state.job_id is None)
        person.act(Act.RESUME)
        person.hears("put-in")
        hold = person.one.hold(step="program")
        person.put_in(person.chip())
        hold.reached()
        person.act(Act.PAUSE)
        hold.let_go()
        judged(person, 1)
        assert (person.batch.state.status, person.batch.state.why) == (Status.PAUSED, Why.PERSON)
        person.act(Act.RESUME)
        person.make_one()
        assert person.verdicts() == ["good", "good"]


def test_unplugged_in_the_middle_it_goes_on_when_it_is_back(tmp_path):
    with person_at_bench(tmp_path) as person:
        person.start(sets=1, positions=("U1",))
        hold = person.one.hold(step="program")
        chip = person.put_in(person.chip())
        hold.reached()
        person.one.lines[-1].unplug()
        hold.let_go()
        until(lambda: person.batch.state.status is Status.FINISHED, 30)
        [result] = person.batch.state.chips
        assert result.verdict is Verdict.GOOD
        assert len(result.jobs) == 2
        assert held(chip) == LOW


def test_a_restart_in_the_middle_is_a_pause_and_the_chip_is_finished_afterwards(tmp_path):
    with person_at_bench(tmp_path) as person:
        person.start(sets=2, positions=("U1",))
        first = person.make_one()
        person.take_out()
        hold = person.one.hold(step="program")
        chip = person.put_in(person.chip())
        hold.reached()
        batch_id = person.batch_id
        # The daemon is told to stop while the chip is being programmed.
        stopping = threading.Thread(target=person.one.bench.stop)
        stopping.start()
        until(lambda: person.one.bench._desk._stopping)
        hold.let_go()
        stopping.join()
    with person_at_bench(tmp_path, socket=person.programmer.socket) as person:
        person.batch_id = batch_id
        assert (person.batch.state.status, person.batch.state.why) == (Status.PAUSED, Why.RESTART)
        assert person.verdicts() == ["good"]
        person.act(Act.RESUME)
        until(lambda: person.batch.state.status is Status.FINISHED, 30)
        assert person.verdicts() == ["good", "good"]
        assert held(first) == held(chip) == LOW
        assert person.batch.state.chips[1].jobs[0] != person.batch.state.chips[1].jobs[1]


def test_it_stops_after_so_many_bad_chips(tmp_path):
    with person_at_bench(tmp_path) as person:
        person.start(sets=1, positions=("U1",), policy=BatchPolicy(stop_after_rejects=2))
        person.put_in(stock(Stock.USED))
        judged(person, 1)
        person.swap(stock(Stock.USED, 2))
        judged(person, 2)
        assert (person.batch.state.status, person.batch.state.why) == (Status.PAUSED, Why.REJECTS)
        person.act(Act.RESUME)
        person.make_one()
        assert person.batch.state.status is Status.FINISHED


def test_a_sample_is_verified_again(tmp_path):
    with person_at_bench(tmp_path) as person:
        person.start(sets=2, positions=("U1",), policy=BatchPolicy(re_verify=1))
        made = [person.make_one() for _ in range(2)]
        assert person.batch.state.status is Status.ACTIVE
        person.swap(made[1])
        until(lambda: person.batch.state.status is Status.FINISHED, 30)
        assert [chip.re_verified for chip in person.batch.state.chips] == [False, True]
        assert len(person.batch.state.chips) == 2


def test_the_label_is_waited_for_where_that_is_wanted(tmp_path):
    with person_at_bench(tmp_path) as person:
        person.start(sets=2, positions=("U1",), policy=BatchPolicy(labels="confirm"))
        person.put_in(person.chip())
        person.hears("label")
        assert person.batch.state.phase is Phase.LABEL
        person.act(Act.LABEL_ON)
        person.make_one()
        person.act(Act.LABEL_ON)
        assert person.batch.state.status is Status.FINISHED


def test_ended_early_it_leaves_the_programmer_free(tmp_path):
    with person_at_bench(tmp_path) as person:
        person.start(sets=2)
        with pytest.raises(BenchError) as second:
            person.start(sets=1)
        assert second.value.code is Code.BATCH_STATE
        person.act(Act.END)
        until(lambda: person.one.bench.programmer("SIM-1").running_job_id is None)
        assert person.batch.state.status is Status.ENDED
        with pytest.raises(BenchError) as over:
            person.act(Act.RESUME)
        assert over.value.code is Code.BATCH_STATE
        person.start(sets=1)


def test_the_button_says_that_a_chip_is_in_where_pins_cannot(tmp_path):
    profile = full("SIM-1")
    blind = profile.identity.capabilities & ~Capability.CONTACT
    profile = replace(profile, identity=replace(profile.identity, capabilities=blind))
    with person_at_bench(tmp_path, profile=profile) as person:
        person.start(sets=2, positions=("U1",))
        with pytest.raises(BenchError) as nothing:
            person.act(Act.YES)
        assert nothing.value.code is Code.NO_QUESTION
        for count in (1, 2):
            person.hears("put-in", "take-out-good")
            live = person.batch
            assert "press the programmer's button" in instruction(live.plan, live.state).detail
            person.take_out()
            person.put_in(person.chip())
            person.hands.now(lambda board, now_s: board.press_button(now_s))
            judged(person, count)
        assert person.verdicts() == ["good", "good"]


def test_a_supply_that_is_set_by_hand_is_asked_for_once(tmp_path):
    with person_at_bench(tmp_path, profile=modest("SIM-1")) as person:
        person.start(sets=2, positions=("U1",), allow_low_vcc=True)
        for count in (1, 2):
            person.hears("put-in", "take-out-good")
            person.take_out()
            person.put_in(person.chip())
            person.act(Act.CHIP_IN)
            if count == 1:
                person.hears("question")
                live = person.batch
                assert "set VPP to 12.50 V" in instruction(live.plan, live.state).words
                person.hands.now(lambda board, now_s: board.turn_trimmer(SupplyName.VPP, 12.5, now_s))
                person.act(Act.YES)
            judged(person, count)
        assert person.verdicts() == ["good", "good"]


def test_an_order_that_a_crash_left_unanswered_is_not_given_twice(tmp_path):
    """The job was made, and the daemon died before the batch could note it: its key finds it again."""
    with person_at_bench(tmp_path) as person:
        person.start(sets=1, positions=("U1",))
        person.act(Act.PAUSE)
        until(lambda: person.batch.state.job_id is None)
        live, bench = person.batch, person.one.bench
        order = live.state.order
        request = job_request(live.plan, order, live.request, live.record.programmer_id)
        job = bench.submit(request, idempotency_key=f"{live.record.id}.{order.number}")
        before = len(bench.jobs())
        assert person.act(Act.RESUME).state.job_id == job.id
        person.put_in(person.chip())
        until(lambda: person.batch.state.status is Status.FINISHED, 30)
        assert len(bench.jobs()) == before
        assert person.batch.state.chips[0].jobs == (job.id,)
