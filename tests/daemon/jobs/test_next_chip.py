"""Jobs that wait for their chip and notice it by themselves: a whole bench in virtual time."""

from dataclasses import replace
from pathlib import Path

import pytest

from daemon.jobs.questions import QuestionBox
from daemon.jobs.runner import JobControl
from daemon.programmers.session import StopSignal
from daemon.store.model import JobKind, JobRecord, JobState
from protocol.wire import Capability
from simulator.chip.chip import Chip
from simulator.programmer.profile import Profile, full
from simulator.programmer.programmer import VirtualProgrammer
from simulator.socket import Placement
from simulator.stock import Stock, make_socket
from tests.support.timed_hands import Deed, TimedHands
from tests.support.virtual_bench import PARTS, VirtualBench, virtual_bench

PART = "m27c64a"


def a_chip(stock: Stock = Stock.BLANK) -> Chip:
    chip = make_socket(PARTS.get(PART), stock, 5).chip
    assert chip is not None
    return chip


def put_in(chip: Chip, placement: Placement | None = None) -> Deed:
    return lambda board, now_s: board.insert(chip, now_s, placement)


def take_out(board: VirtualProgrammer, now_s: float) -> None:
    board.remove(now_s)


def without(*gone: Capability) -> Profile:
    profile = full("SIM-1")
    capabilities = profile.identity.capabilities
    for each in gone:
        capabilities &= ~each
    return replace(profile, identity=replace(profile.identity, capabilities=capabilities))


def hands_of(bench: VirtualBench) -> TimedHands:
    hands = TimedHands(bench.programmer)
    bench.transport.replug(hands)
    return hands


def questions_of(bench: VirtualBench, job: JobRecord) -> list[str]:
    events, _ = bench.store.events.page(0, 500, job_id=job.id)
    return [event.data["words"] for event in events if event.type == "job-question"]


def step_of(job: JobRecord, name: str):
    return next(step for step in job.steps if step.name == name)


def test_a_chip_is_noticed_and_checked_with_no_key_pressed(tmp_path: Path) -> None:
    with virtual_bench(tmp_path, PART, Stock.NONE) as bench:
        hands = hands_of(bench)
        hands.at(7.0, put_in(a_chip()))
        job = bench.run(JobKind.BLANK_CHECK, PART, await_chip={})
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert step_of(job, "next-chip").result["noticed_by"] == "pins"
        assert job.outcome["numbers"]["waited_s"] == pytest.approx(7.5, abs=0.5)
        assert "is noticed by itself" in questions_of(bench, job)[0]
        assert bench.supplies_off


def test_no_supply_is_on_while_a_chip_is_waited_for(tmp_path: Path) -> None:
    with virtual_bench(tmp_path, PART, Stock.NONE) as bench:
        rails: list[float] = []

        def measure(board: VirtualProgrammer, now_s: float) -> None:
            found = board.rails(now_s)
            rails.extend((found.vcc_v, found.vpp_v))

        hands = hands_of(bench)
        for tenth in range(40, 80):
            hands.at(tenth / 10, measure)
        hands.at(8.0, put_in(a_chip()))
        bench.run(JobKind.BLANK_CHECK, PART, await_chip={})
        assert len(rails) == 80
        assert max(rails) < 0.5


def test_the_chip_of_before_goes_first(tmp_path: Path) -> None:
    with virtual_bench(tmp_path, PART, Stock.USED, profile=without(Capability.SOCKET_SENSOR)) as bench:
        hands = hands_of(bench)
        hands.at(20.0, take_out)
        hands.at(24.0, put_in(a_chip()))
        job = bench.run(JobKind.BLANK_CHECK, PART, await_chip={"occupied": True, "words": "chip 2 of 6"})
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert job.outcome["numbers"]["waited_s"] > 24
        first, second = questions_of(bench, job)
        assert first == "Take this chip out, then put in chip 2 of 6."
        assert second.startswith("Put in chip 2 of 6")


def test_a_chip_swapped_between_two_looks_is_noticed_by_the_lever(tmp_path: Path) -> None:
    with virtual_bench(tmp_path, PART, Stock.USED) as bench:
        hands_of(bench).at(5.0, put_in(a_chip()))  # one instant: out and in
        job = bench.run(JobKind.BLANK_CHECK, PART, await_chip={"occupied": True})
        assert job.state is JobState.SUCCEEDED, job.outcome


def test_a_chip_put_in_backwards_is_told_and_waited_for(tmp_path: Path) -> None:
    with virtual_bench(tmp_path, PART, Stock.NONE) as bench:
        hands, chip = hands_of(bench), a_chip()
        hands.at(3.0, put_in(chip, Placement(reversed=True)))
        hands.at(9.0, take_out)
        hands.at(12.0, put_in(chip))
        job = bench.run(JobKind.BLANK_CHECK, PART, await_chip={})
        assert job.state is JobState.SUCCEEDED, job.outcome
        told = questions_of(bench, job)
        assert "backwards" in told[1]
        assert "start again" not in told[1]
        assert chip.damage is None


def test_the_button_makes_a_chip_that_sits_too_high_be_looked_for(tmp_path: Path) -> None:
    with virtual_bench(tmp_path, PART, Stock.NONE) as bench:
        hands, chip = hands_of(bench), a_chip()
        hands.at(3.0, put_in(chip, Placement(shift=-1)))
        hands.at(6.0, lambda board, now_s: board.press_button(now_s))
        hands.at(9.0, put_in(chip))
        job = bench.run(JobKind.BLANK_CHECK, PART, await_chip={})
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert any("too far towards" in words for words in questions_of(bench, job))


def test_a_programmer_that_cannot_check_pins_goes_by_its_button(tmp_path: Path) -> None:
    with virtual_bench(tmp_path, PART, Stock.NONE, profile=without(Capability.CONTACT)) as bench:
        hands = hands_of(bench)
        hands.at(3.0, put_in(a_chip()))
        hands.at(30.0, lambda board, now_s: board.press_button(now_s))
        job = bench.run(JobKind.BLANK_CHECK, PART, await_chip={})
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert step_of(job, "next-chip").result["noticed_by"] == "button"
        assert "press the button" in questions_of(bench, job)[0]


def test_waiting_is_given_up_by_cancel_and_by_the_answer_no(tmp_path: Path) -> None:
    with virtual_bench(tmp_path, PART, Stock.NONE) as bench:
        hands = hands_of(bench)
        control = JobControl(StopSignal(), QuestionBox())
        hands.at(50.0, lambda board, now_s: control.stop.ask())
        job = bench.run(JobKind.BLANK_CHECK, PART, control=control, await_chip={})
        assert job.state is JobState.CANCELLED
        refused = JobControl(StopSignal(), QuestionBox())
        hands.at(100.0, lambda board, now_s: refused.questions.answer(False))
        job = bench.run(JobKind.BLANK_CHECK, PART, control=refused, await_chip={})
        assert job.state is JobState.CANCELLED
        assert "no chip was touched" in job.outcome["summary"]


def test_an_answer_yes_is_as_good_as_the_button(tmp_path: Path) -> None:
    with virtual_bench(tmp_path, PART, Stock.NONE, profile=without(Capability.CONTACT)) as bench:
        hands, control = hands_of(bench), JobControl(StopSignal(), QuestionBox())
        hands.at(3.0, put_in(a_chip()))
        hands.at(5.0, lambda board, now_s: control.questions.answer(True))
        job = bench.run(JobKind.BLANK_CHECK, PART, control=control, await_chip={})
        assert job.state is JobState.SUCCEEDED, job.outcome
