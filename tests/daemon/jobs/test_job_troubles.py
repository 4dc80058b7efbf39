"""What goes wrong at the bench, each met with a result that names it, and the supplies off."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.jobs.outcome import OutcomeCode
from daemon.jobs.questions import QuestionBox
from daemon.jobs.runner import JobControl
from daemon.programmers.session import StopSignal
from daemon.store.model import JobKind, JobState, StepState
from daemon.transport.memory import Wire
from simulator.programmer.profile import modest
from simulator.socket import ContactFault, Socket
from simulator.stock import Stock
from simulator.supplies import SupplyName, SupplyTrouble
from tests.support.virtual_bench import PARTS, virtual_bench

DENSE = random.Random(7).randbytes(1 << 17)
PART = "st-m27c512"


def step_of(job, name):
    return next(step for step in job.steps if step.name == name)


def never_powered(bench):
    return bench.programmer.supplies.named(SupplyName.VCC).switch_ons == 0


# Before power


@pytest.mark.parametrize(
    ("stock", "code", "words"),
    [
        (Stock.REVERSED, "chip-reversed", "backwards"),
        (Stock.NONE, "chip-missing", "no chip"),
        (Stock.SHIFTED, "chip-shifted", "1 row too far"),
        (Stock.FOLDED, "pin-fault", "no contact"),
    ],
)
def test_a_badly_seated_chip_is_never_powered(tmp_path, stock, code, words):
    with virtual_bench(tmp_path, PART, stock) as bench:
        job = bench.run(JobKind.PROGRAM, PART, DENSE[:65536])
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, code)
        assert words in job.outcome["summary"]
        assert job.outcome["hint"]
        assert never_powered(bench)
        assert step_of(job, "pin-check").state is StepState.FAILED
        assert step_of(job, "program").state is StepState.SKIPPED


def test_a_folded_pin_is_named_by_signal_and_number(tmp_path):
    def fold(socket: Socket) -> Socket:
        # Pin 10 of a DIP28 is A0 (M27C512 data sheet, pin connections): socket pin 20 of 48.
        return Socket(48, socket.remove(), faults={20: ContactFault.OPEN})

    with virtual_bench(tmp_path, PART, change=fold) as bench:
        job = bench.run(JobKind.PROGRAM, PART, DENSE[:512])
        assert job.outcome["numbers"]["pins"] == [{"pin": 10, "signal": "A0", "state": "open"}]
        assert "pin 10 (A0)" in job.outcome["summary"]


# The chip


def test_a_wrong_part_is_told_by_its_signature(tmp_path):
    with virtual_bench(tmp_path, "st-m27c256b", Stock.WRONG, other="atmel-at27c256r") as bench:
        job = bench.run(JobKind.PROGRAM, "st-m27c256b", DENSE[:512])
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "signature-mismatch")
        assert "AT27C256R" in job.outcome["summary"]
        assert bench.held == b"\xff" * 32768
        accepted = bench.run(JobKind.PROGRAM, "st-m27c256b", DENSE[:512], accept_signature=True)
        assert accepted.outcome["code"] != "signature-mismatch"


def test_a_part_without_signature_is_recorded_as_not_checked(tmp_path):
    with virtual_bench(tmp_path, "st-m2716") as bench:
        job = bench.run(JobKind.IDENTIFY, "st-m2716")
        assert job.state is JobState.SUCCEEDED
        assert {check["name"]: check["verdict"] for check in job.outcome["checks"]}[
            "signature"
        ] == "not-checked"


def test_a_used_chip_is_not_blank_and_the_lamp_time_is_told(tmp_path):
    with virtual_bench(tmp_path, PART, Stock.USED) as bench:
        before = bench.held
        job = bench.run(JobKind.PROGRAM, PART, DENSE[:65536])
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "not-blank")
        assert job.outcome["numbers"]["conflicting_bits"] > 1000
        assert "J/cm²" in job.outcome["hint"]
        assert "min" in job.outcome["hint"]
        assert bench.held == before


def test_a_chip_that_reads_blank_only_at_the_nominal_supply(tmp_path):
    with virtual_bench(tmp_path, PART, Stock.HALF_ERASED) as bench:
        job = bench.run(JobKind.BLANK_CHECK, PART)
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "not-blank-low")
        assert job.outcome["numbers"]["bits"] > 0
        assert job.outcome["numbers"]["vcc_v"] == 4.2
        assert "not fully erased" in job.outcome["summary"]
        assert "J/cm²" in job.outcome["hint"]


def test_a_stuck_bit_is_found_and_placed(tmp_path):
    with virtual_bench(tmp_path, PART, Stock.STUCK) as bench:
        job = bench.run(JobKind.PROGRAM, PART, bytes(65536), skip=["blank-check"])
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "program-failed")
        assert job.outcome["numbers"]["pulses"] == 25  # M27C512: at most 25 pulses a word
        assert job.outcome["numbers"]["wanted"] == 0
        assert bench.supplies_off


def test_a_locked_chip_that_fakes_success_is_caught_by_the_read_back(tmp_path):
    with virtual_bench(tmp_path, "atmel-at28c256", Stock.LOCKED) as bench:
        job = bench.run(JobKind.PROGRAM, "atmel-at28c256", DENSE[:32768])
        # AT28C256 data sheet: the disable sequence takes the protection off, so programming succeeds...
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert "protection was taken off" in step_of(job, "program").result["words"]
        assert bench.held == DENSE[:32768]


# Supplies


def test_a_weak_vpp_is_noticed_before_the_first_pulse(tmp_path):
    with virtual_bench(tmp_path, PART, troubles={SupplyName.VPP: SupplyTrouble(ceiling_v=11.0)}) as bench:
        job = bench.run(JobKind.PROGRAM, PART, DENSE[:4096])
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "device-fault")
        assert "VPP" in job.outcome["summary"]
        assert job.outcome["numbers"]["vpp_mv"] == pytest.approx(11_000, abs=200)
        assert bench.held == b"\xff" * 65536
        assert bench.supplies_off


def test_after_a_fault_the_next_job_clears_it_and_works(tmp_path):
    with virtual_bench(tmp_path, PART, troubles={SupplyName.VPP: SupplyTrouble(ceiling_v=11.0)}) as bench:
        assert bench.run(JobKind.PROGRAM, PART, DENSE[:512]).state is JobState.FAILED
        bench.programmer.afflict(SupplyName.VPP, SupplyTrouble(), bench.clock.monotonic_s())
        assert bench.run(JobKind.PROGRAM, PART, DENSE[:512]).state is JobState.SUCCEEDED


def test_a_supply_asked_for_that_the_board_cannot_make(tmp_path):
    with virtual_bench(tmp_path, PART, Stock.USED, profile=modest()) as bench:
        job = bench.run(JobKind.READ, PART, supply_checks_v=(4.2,))
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "programmer-cannot")
        assert "4.20 V" in job.outcome["summary"]
        assert "fixed at 5.00 V" in job.outcome["summary"]


def test_a_board_without_the_voltage_says_which(tmp_path):
    # The M2716 wants 25 V on pin 21; the hobby board's trimmer is not confirmed, and nobody answers yes.
    class No(QuestionBox):
        def ask(self, question, meanwhile):
            assert "25.00 V" in question.words
            return False

    with virtual_bench(tmp_path, "st-m2716", profile=modest()) as bench:
        control = JobControl(StopSignal(), No())
        job = bench.run(JobKind.PROGRAM, "st-m2716", DENSE[:2048], control=control)
        assert (job.state, job.outcome["code"]) == (JobState.CANCELLED, "cancelled")
        assert bench.held == b"\xff" * 2048


def test_a_socket_that_is_opened_in_mid_job_is_named(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:

        def lift(newest):
            event = bench.store.events.after(newest - 1, 1)[0]
            if event.type == "job-progress" and event.data["step"] == "program":
                bench.programmer.open_socket(bench.clock.monotonic_s())

        end = bench.store.on_event(lift)
        job = bench.run(JobKind.PROGRAM, PART, DENSE[:65536])
        end()
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "device-fault")
        assert "the socket was opened" in job.outcome["summary"]
        assert bench.supplies_off
        # What was programmed until then stands in the record.
        assert 0 < job.outcome["numbers"]["programmed_words"] < 65_536
        assert job.outcome["numbers"]["pulses"] >= job.outcome["numbers"]["programmed_words"] * 0.9
        bench.programmer.close_socket(bench.clock.monotonic_s())
        assert bench.run(JobKind.PROGRAM, PART, DENSE[:65536]).state is JobState.SUCCEEDED


# The link


def test_unplugging_in_mid_job(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        cut_after(bench, 20_000)
        job = bench.run(JobKind.PROGRAM, PART, DENSE[:65536])
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "port-lost")
        assert job.outcome["numbers"]["supplies_after"] != "off"
        # Nobody talks to the board any more: its own watchdog takes the supplies off.
        bench.clock.advance_s(3)
        assert bench.supplies_off


def cut_after(bench, count_bytes):
    """Pull the plug once this many bytes have gone out."""
    write = bench.transport.write
    sent = 0

    def counted(data):
        nonlocal sent
        sent += len(data)
        if sent > count_bytes:
            bench.transport.unplug()
        write(data)

    bench.transport.write = counted


def test_a_reset_in_mid_job_loses_the_link_and_is_said(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        at = []

        def reset_once(data, write=bench.transport.write):
            at.append(len(data))
            if sum(at) > 20_000 and bench.programmer.boot_id == 1:
                bench.programmer.reset(bench.clock.monotonic_s())
            write(data)

        bench.transport.write = reset_once
        job = bench.run(JobKind.PROGRAM, PART, DENSE[:65536])
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "link-lost")
        assert "unknown" in job.outcome["hint"]
        assert bench.supplies_off


def noisy_line(seed, rate):
    """Return a line that flips one bit in one byte of 40 / rate, and loses one write of 1 / rate."""
    rng = random.Random(seed)

    def noisy(direction, data, now_s):
        damaged = bytearray(data)
        for at in range(len(damaged)):
            if rng.random() < rate / 40:
                damaged[at] ^= 1 << rng.randrange(8)
        if rng.random() < rate:
            return []
        return [(0.0, bytes(damaged))]

    return noisy


@pytest.mark.no_cover
@settings(max_examples=15)
@given(st.integers(0, 2**32), st.floats(0.0, 0.04))
def test_a_bad_line_never_makes_a_wrong_chip_right(tmp_path_factory, seed, rate):
    content = DENSE[:4096]
    with virtual_bench(tmp_path_factory.mktemp("noisy"), "st-m27c64a") as bench:
        bench.transport.fault = noisy_line(seed, rate)
        job = bench.run(JobKind.PROGRAM, "st-m27c64a", content)
        if job.state is JobState.SUCCEEDED:
            assert bench.held[:4096] == content
        else:
            assert job.outcome["code"] in {"link-lost", "step-timeout", "device-violation"}


@pytest.mark.parametrize("seed", range(4))
def test_a_line_that_damages_a_frame_in_five_costs_time_and_nothing_else(tmp_path, seed):
    content = DENSE[:8192]
    with virtual_bench(tmp_path, "st-m27c64a") as bench:
        bench.transport.fault = noisy_line(seed, 0.01)
        job = bench.run(JobKind.PROGRAM, "st-m27c64a", content)
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert bench.held == content
        counted = bench.session.counters
        assert counted.damaged + counted.naks > 0
        assert counted.retransmitted > 0


# Stopping


@pytest.mark.parametrize(
    "step", ["connect", "pin-check", "signature", "blank-check", "program", "verify", "checksum"]
)
@pytest.mark.parametrize("shutting_down", [False, True])
def test_stopping_at_every_step(tmp_path, step, shutting_down):
    with virtual_bench(tmp_path, PART, wire=Wire(baud=1_000_000, latency_to_host_s=0.001)) as bench:
        control = JobControl(StopSignal(), QuestionBox())

        def stop_at_step(newest):
            event = bench.store.events.after(newest - 1, 1)[0]
            if event.type == "job-step" and event.data["step"] == step and event.data["state"] == "running":
                control.shutting_down = shutting_down
                control.stop.ask()

        bench.store.on_event(stop_at_step)
        job = bench.run(JobKind.PROGRAM, PART, DENSE[:65536], control=control)
        ended = JobState.INTERRUPTED if shutting_down else JobState.CANCELLED
        assert job.state is ended, job.outcome
        assert job.outcome["code"] == (OutcomeCode.INTERRUPTED if shutting_down else OutcomeCode.CANCELLED)
        assert bench.supplies_off
        # And the programmer is fit for the next job at once.
        assert bench.run(JobKind.PIN_CHECK, PART).state is JobState.SUCCEEDED


def test_stopping_acts_within_a_pulse_and_a_discharge(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        control = JobControl(StopSignal(), QuestionBox())
        asked = []

        def stop_at_half(newest):
            event = bench.store.events.after(newest - 1, 1)[0]
            if not asked and event.type == "job-progress" and event.data["done_bytes"] > 30_000:
                asked.append(bench.clock.monotonic_s())
                control.stop.ask()

        bench.store.on_event(stop_at_half)
        job = bench.run(JobKind.PROGRAM, PART, DENSE[:65536], control=control)
        assert job.state is JobState.CANCELLED
        # SPEC.md section 9: at most 100 ms and one pulse from abort to supplies off.
        assert bench.clock.monotonic_s() - asked[0] < 0.5
        assert 0 < sum(byte != 0xFF for byte in bench.held) < 65_536


@pytest.mark.parametrize("part_id", ["st-m27c64a", "st-m27256", "atmel-at27c256r", "atmel-at28c64"])
def test_a_cancelled_job_can_be_continued_to_the_right_content(tmp_path, part_id):
    size = PARTS.get(part_id).size_bytes
    with virtual_bench(tmp_path, part_id) as bench:
        control = JobControl(StopSignal(), QuestionBox())

        def stop_at_half(newest):
            event = bench.store.events.after(newest - 1, 1)[0]
            if event.type == "job-progress" and event.data["done_bytes"] > size // 2:
                control.stop.ask()

        end = bench.store.on_event(stop_at_half)
        assert bench.run(JobKind.PROGRAM, part_id, DENSE[:size], control=control).state is JobState.CANCELLED
        end()
        job = bench.run(JobKind.PROGRAM, part_id, DENSE[:size], resumes=True)
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert bench.held == DENSE[:size]
