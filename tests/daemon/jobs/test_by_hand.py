"""Supplies that a person sets: asked for once, with the supplies off, and never believed against a meter."""

from dataclasses import replace

import pytest

from daemon.jobs.questions import QuestionBox
from daemon.jobs.request import Skippable
from daemon.jobs.runner import JobControl
from daemon.programmers.session import StopSignal
from daemon.store.model import JobKind, JobState
from protocol.identity import SupplyRange
from protocol.wire import Capability, SupplyKind
from simulator.programmer.profile import full, modest
from simulator.socket import Placement
from simulator.supplies import SupplyDesign, SupplyName
from tests.support.virtual_bench import virtual_bench

PART = "st-m27c512"
CONTENT = bytes(range(256))


def hand_set_profile(*names, measures=True):
    """Return the full board with supplies that are turned by hand."""
    profile = full("SIM-1")
    for name in names:
        had = getattr(profile, name)
        turned = SupplyRange(SupplyKind.HAND_SET, 3000, 26000, 0, had.range.tolerance_mv, had.range.limit_ma)
        capabilities = profile.identity.capabilities
        if not measures:
            capabilities &= ~Capability[f"MEASURE_{name.upper()}"]
        profile = replace(
            profile,
            identity=replace(profile.identity, capabilities=capabilities, **{name: turned}),
            **{name: SupplyDesign(turned, adc_step_mv=10 if measures else 0)},
        )
    return profile


class Hands(QuestionBox):
    """A person who does what is asked, or what the test says instead, and notes how the supplies were."""

    def __init__(self, bench, *answers, then=lambda bench: None):
        super().__init__()
        self.bench = bench
        self.asked = []
        self.off = []
        self._answers = list(answers)
        self._then = then

    def ask(self, question, meanwhile):
        now_s = self.bench.clock.monotonic_s()
        self.asked.append((question.numbers["vcc_mv"], question.numbers["vpp_mv"], question.words))
        self.off.append(self.bench.supplies_off)
        answer = self._answers.pop(0) if self._answers else True
        if isinstance(answer, dict):
            for name, volts in answer.items():
                self.bench.programmer.turn_trimmer(name, volts, now_s)
        elif answer:
            for name in SupplyName.VCC, SupplyName.VPP:
                mv = question.numbers.get(f"{name.name.lower()}_mv")
                if mv:
                    self.bench.programmer.turn_trimmer(name, mv / 1000, now_s)
        self._then(self.bench)
        return answer is not False


def run_with(bench, hands, kind=JobKind.PROGRAM, part=PART, content=CONTENT, **options):
    return bench.run(kind, part, content, control=JobControl(StopSignal(), hands), **options)


def test_vpp_is_asked_for_once_with_the_supplies_off(tmp_path):
    with virtual_bench(tmp_path, PART, profile=hand_set_profile("vpp")) as bench:
        hands = Hands(bench)
        job = run_with(bench, hands)
        assert job.state is JobState.SUCCEEDED, job.outcome
        ((vcc_mv, vpp_mv, words),) = hands.asked
        # M27C512, November 1998: VPP 12.75 V to program.
        assert (vcc_mv, vpp_mv) == (0, 12_750)
        assert "VPP to 12.75 V" in words
        assert "VCC" not in words
        assert hands.off == [True]
        assert bench.held[:256] == CONTENT


def test_each_vcc_is_asked_for_when_it_changes_and_not_again(tmp_path):
    with virtual_bench(tmp_path, PART, profile=hand_set_profile("vcc", "vpp")) as bench:
        hands = Hands(bench)
        job = run_with(bench, hands)
        assert job.state is JobState.SUCCEEDED, job.outcome
        # Blank at 5.0 and 4.2 V, programmed at 6.25 and 12.75 V, verified at 6.0 and 4.2 V, labelled at 5.
        assert [(vcc, vpp) for vcc, vpp, _ in hands.asked] == [
            (5000, 0), (4200, 0), (6250, 12_750), (6000, 0), (4200, 0), (5000, 0),
        ]  # fmt: skip
        assert all(hands.off)


def test_what_was_said_beforehand_counts_for_the_first_value_only(tmp_path):
    with virtual_bench(tmp_path, PART, profile=hand_set_profile("vcc", measures=False)) as bench:
        bench.programmer.turn_trimmer(SupplyName.VCC, 5.0, 0.0)
        hands = Hands(bench)
        job = run_with(bench, hands, JobKind.VERIFY, content=b"\xff" * 256, hand_set_confirmed=True,
                       supply_checks_v=(5.0, 4.5))  # fmt: skip
        assert job.state is JobState.SUCCEEDED, job.outcome
        # It cannot measure: to take 4.5 V for set would make the check a lie.
        assert [(vcc, vpp) for vcc, vpp, _ in hands.asked] == [(4500, 0), (5000, 0)]


def test_said_beforehand_and_right_nobody_is_asked(tmp_path):
    with virtual_bench(tmp_path, PART, profile=hand_set_profile("vpp")) as bench:
        bench.programmer.turn_trimmer(SupplyName.VPP, 12.75, 0.0)
        hands = Hands(bench)
        assert run_with(bench, hands, hand_set_confirmed=True).state is JobState.SUCCEEDED
        assert hands.asked == []


def test_said_beforehand_and_wrong_no_chip_sees_it(tmp_path):
    with virtual_bench(tmp_path, PART, profile=hand_set_profile("vpp")) as bench:
        bench.programmer.turn_trimmer(SupplyName.VPP, 21.0, 0.0)
        job = run_with(bench, Hands(bench), hand_set_confirmed=True)
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "supply-out-of-tolerance")
        assert "21.00 V" in job.outcome["summary"]
        assert "12.75 V" in job.outcome["summary"]
        assert job.outcome["numbers"]["vpp_mv"] == pytest.approx(21_000, abs=200)
        assert bench.programmer.supplies.named(SupplyName.VPP).switch_ons == 0
        assert bench.supplies_off


def test_a_person_who_misread_is_asked_again_with_what_was_measured(tmp_path):
    with virtual_bench(tmp_path, PART, profile=hand_set_profile("vpp")) as bench:
        hands = Hands(bench, {SupplyName.VPP: 21.0}, {SupplyName.VPP: 12.6})
        job = run_with(bench, hands)
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert "21.00 V" in hands.asked[1][2]
        assert len(hands.asked) == 2


def test_a_program_that_says_yes_to_everything_does_not_go_on_for_ever(tmp_path):
    with virtual_bench(tmp_path, PART, profile=hand_set_profile("vpp")) as bench:
        hands = Hands(bench, *[{SupplyName.VPP: 21.0}] * 50)
        job = run_with(bench, hands)
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "supply-out-of-tolerance")
        assert len(hands.asked) <= 5
        assert bench.programmer.supplies.named(SupplyName.VPP).switch_ons == 0


@pytest.mark.parametrize("kind", [JobKind.PROGRAM, JobKind.BLANK_CHECK])
def test_no_means_given_up(tmp_path, kind):
    with virtual_bench(tmp_path, PART, profile=hand_set_profile("vcc", "vpp")) as bench:
        content = CONTENT if kind is JobKind.PROGRAM else None
        job = run_with(bench, Hands(bench, False), kind, content=content)
        assert (job.state, job.outcome["code"]) == (JobState.CANCELLED, "cancelled")
        assert "not set" in job.outcome["summary"]
        assert bench.supplies_off


def test_a_chip_that_came_back_reversed_is_not_powered(tmp_path):
    def turn_round(bench):
        now_s = bench.clock.monotonic_s()
        chip = bench.programmer.remove(now_s)
        bench.programmer.insert(chip, now_s, Placement(reversed=True))

    with virtual_bench(tmp_path, PART, profile=hand_set_profile("vpp")) as bench:
        hands = Hands(bench, then=turn_round)
        job = run_with(bench, hands)
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "chip-reversed")
        assert bench.programmer.supplies.named(SupplyName.VPP).switch_ons == 0


def test_leaving_the_pin_check_out_leaves_it_out_here_too(tmp_path):
    with virtual_bench(tmp_path, PART, profile=hand_set_profile("vpp")) as bench:
        job = run_with(bench, Hands(bench), skip=[Skippable.PIN_CHECK])
        assert job.state is JobState.SUCCEEDED, job.outcome


def test_a_trimmer_that_was_turned_between_two_jobs_is_noticed(tmp_path):
    with virtual_bench(tmp_path, PART, profile=modest()) as bench:
        bench.programmer.turn_trimmer(SupplyName.VPP, 12.75, 0.0)
        options = {"hand_set_confirmed": True, "allow_low_vcc": True}
        assert run_with(bench, Hands(bench), **options).state is JobState.SUCCEEDED
        bench.programmer.turn_trimmer(SupplyName.VPP, 13.5, bench.clock.monotonic_s())
        job = run_with(bench, Hands(bench), **options)
        assert job.outcome["code"] == "supply-out-of-tolerance"
