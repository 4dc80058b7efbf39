"""The main job, from image to verified chip, against the virtual programmer in virtual time."""

import random

import pytest

from daemon.store.model import JobKind, JobState, StepState
from simulator.programmer.profile import full, modest
from simulator.stock import Stock
from simulator.supplies import SupplyName
from tests.support.virtual_bench import PARTS, virtual_bench

DENSE = random.Random(20261125).randbytes(1 << 20)
PULSED = [
    part.id
    for part in PARTS
    if part.write and part.write.pulse_us and part.size_bytes <= 1 << 18 and part.package.startswith("DIP")
]
SELF_TIMED = ["atmel-at28c64", "atmel-at28c256"]


def verdicts(job):
    return {(check["name"], check["vcc_v"]): check["verdict"] for check in job.outcome["checks"]}


@pytest.mark.no_cover
@pytest.mark.parametrize("part_id", [*PULSED, *SELF_TIMED])
def test_program_and_verify(tmp_path, part_id):
    part = PARTS.get(part_id)
    content = DENSE[: part.size_bytes]
    with virtual_bench(tmp_path, part_id) as bench:
        job = bench.run(JobKind.PROGRAM, part, content)
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert bench.supplies_off
        assert bench.held == content
        for vcc_v in part.supplies.supply_checks_v:
            assert verdicts(job)["verify", vcc_v] == "passed"
        # The estimate is stated beforehand; the job is to take about that long. An erase is not needed here.
        said_s = job.estimate["total_s"] - job.estimate["steps_s"].get("erase", 0.0)
        share = 0.35 if part_id in SELF_TIMED else 0.05
        assert job.outcome["numbers"]["took_s"] == pytest.approx(said_s, rel=share, abs=0.5)


@pytest.mark.parametrize(
    ("part_id", "sheet_s"),
    [
        # STMicroelectronics M27C512, November 1998: "typical time of 6.5 seconds".
        ("st-m27c512", 6.5),
        # Texas Instruments TMS27C020, SMLS020C: 26 seconds.
        ("ti-tms27c020", 26.0),
        # Intel 2716 data sheet as quoted in public: 100 seconds for all 16,384 bits.
        ("st-m2716", 100.0),
    ],
)
def test_programming_takes_as_long_as_the_sheet_says(tmp_path, part_id, sheet_s):
    part = PARTS.get(part_id)
    with virtual_bench(tmp_path, part_id) as bench:
        job = bench.run(JobKind.WRITE, part, DENSE[: part.size_bytes])
        step = next(step for step in job.steps if step.name == "program")
        assert (step.ended_at - step.started_at).total_seconds() == pytest.approx(sheet_s, rel=0.06)


def test_what_was_programmed_reads_back(tmp_path):
    with virtual_bench(tmp_path, "st-m27c512") as bench:
        bench.run(JobKind.PROGRAM, "st-m27c512", DENSE[:65536])
        job = bench.run(JobKind.READ, "st-m27c512")
        assert job.state is JobState.SUCCEEDED
        assert bench.kept == [DENSE[:65536]]
        job = bench.run(JobKind.READ, "st-m27c512", start_bytes=0x1000, length_bytes=0x333)
        assert bench.kept[1] == DENSE[0x1000:0x1333]


def test_a_read_of_a_16_bit_part(tmp_path):
    with virtual_bench(tmp_path, "amd-am27c1024") as bench:
        bench.run(JobKind.WRITE, "amd-am27c1024", DENSE[:131072])
        bench.run(JobKind.READ, "amd-am27c1024", start_bytes=2, length_bytes=1000)
        assert bench.kept == [DENSE[2:1002]]


def test_a_small_image_leaves_the_rest_blank_and_unpulsed(tmp_path):
    with virtual_bench(tmp_path, "st-m27c512") as bench:
        job = bench.run(JobKind.PROGRAM, "st-m27c512", DENSE[:1000], offset_bytes=0x4321)
        assert job.state is JobState.SUCCEEDED
        assert bench.held == b"\xff" * 0x4321 + DENSE[:1000] + b"\xff" * (65536 - 0x4321 - 1000)
        assert job.outcome["numbers"]["took_s"] < 1.5


def test_repeating_fills_the_part(tmp_path):
    with virtual_bench(tmp_path, "st-m27c256b") as bench:
        bench.run(JobKind.PROGRAM, "st-m27c256b", DENSE[:8192], repeat=True)
        assert bench.held == DENSE[:8192] * 4


def test_a_chip_that_holds_part_of_the_image_can_be_programmed_as_it_is(tmp_path):
    with virtual_bench(tmp_path, "st-m27c256b") as bench:
        bench.run(JobKind.WRITE, "st-m27c256b", DENSE[:20000])
        job = bench.run(JobKind.PROGRAM, "st-m27c256b", DENSE[:32768])
        assert job.state is JobState.SUCCEEDED
        assert "can be programmed as it is" in step_words(job, "blank-check")


def step_words(job, name):
    return next(step.result["words"] for step in job.steps if step.name == name)


def test_flash_is_erased_first_and_only_when_it_is_not_blank(tmp_path):
    with virtual_bench(tmp_path, "sst-39sf010a", Stock.USED) as bench:
        job = bench.run(JobKind.PROGRAM, "sst-39sf010a", DENSE[:512])
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert step_words(job, "erase").startswith("whole chip")
        assert bench.held == DENSE[:512] + b"\xff" * (131072 - 512)


def test_old_content_does_not_show_through_on_a_part_that_replaces_bytes(tmp_path):
    with virtual_bench(tmp_path, "atmel-at28c64", Stock.USED) as bench:
        job = bench.run(JobKind.PROGRAM, "atmel-at28c64", DENSE[:100])
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert bench.held == DENSE[:100] + b"\xff" * (8192 - 100)


@pytest.mark.parametrize("kind", [JobKind.IDENTIFY, JobKind.PIN_CHECK, JobKind.BLANK_CHECK])
def test_looking_alters_nothing(tmp_path, kind):
    with virtual_bench(tmp_path, "st-m27c512") as bench:
        job = bench.run(kind, "st-m27c512")
        assert job.state is JobState.SUCCEEDED
        assert job.outcome["code"] == ("blank" if kind is JobKind.BLANK_CHECK else "ok")
        assert all(step.state in (StepState.DONE, StepState.SKIPPED) for step in job.steps)
        assert bench.held == b"\xff" * 65536


def test_a_modest_board_says_what_it_did_not_check(tmp_path):
    # A fixed 5 V VCC: programming at 5 V needs consent, 6.0 and 4.2 V cannot be looked at.
    with virtual_bench(tmp_path, "st-m27c512", profile=modest()) as bench:
        refused = bench.run(JobKind.PROGRAM, "st-m27c512", DENSE[:512], hand_set_confirmed=True)
        assert (refused.state, refused.outcome["code"]) == (JobState.FAILED, "consent-needed")
        assert bench.supplies_off
        bench.programmer.turn_trimmer(SupplyName.VPP, 12.75, bench.clock.monotonic_s())
        job = bench.run(
            JobKind.PROGRAM, "st-m27c512", DENSE[:512], hand_set_confirmed=True, allow_low_vcc=True
        )
        assert job.state is JobState.SUCCEEDED, job.outcome
        found = verdicts(job)
        assert found["pin-check", None] == "not-checked"
        assert found["signature", None] == "not-checked"
        assert found["verify", 6.0] == found["verify", 4.2] == "not-checked"
        assert found["verify", 5.0] == "passed"
        assert found["program-vcc", None] == "not-checked"
        assert "Not checked" in job.outcome["hint"]


def test_progress_is_told_in_bytes_and_in_order(tmp_path):
    with virtual_bench(tmp_path, "st-m27c512") as bench:
        job = bench.run(JobKind.PROGRAM, "st-m27c512", DENSE[:65536])
        told = [
            event.data
            for event in bench.store.events.after(0, 10_000, job_id=job.id)
            if event.type == "job-progress" and event.data["step"] == "program"
        ]
        done = [data["done_bytes"] for data in told]
        assert len(done) > 20
        assert done == sorted(done)
        assert all(data["total_bytes"] == 65536 for data in told)
        etas = [data["eta_s"] for data in told]
        assert etas[0] > 5 > etas[-1]


def test_a_wider_socket_or_a_full_one_makes_no_difference(tmp_path):
    with virtual_bench(tmp_path, "st-m27c322", profile=full()) as bench:
        job = bench.run(JobKind.PROGRAM, "st-m27c322", DENSE[:4096])
        assert job.state is JobState.SUCCEEDED


def test_a_preview_says_what_a_modest_board_cannot_make(tmp_path):
    from daemon.jobs.preview import preview_of

    with virtual_bench(tmp_path, "st-m27c512", profile=modest()) as bench:
        preview = preview_of(bench.plan(JobKind.PROGRAM, "st-m27c512", DENSE[:512]))
    # What the part wants stays as its sheet has it: it is there to be compared with the marking.
    assert (preview.vcc_program_v, preview.vpp_program_v) == (6.25, 12.75)
    told = " ".join(preview.limits)
    assert "VCC fixed at 5.00 V" in told
    assert "consent" in told
    assert "VPP is set by hand: to 12.75 V" in told
    assert "cannot read at 6.00 V" in told
    assert "cannot read at 4.20 V" in told


def test_a_full_board_has_no_limits_to_tell(tmp_path):
    from daemon.jobs.preview import preview_of

    with virtual_bench(tmp_path, "st-m27c512") as bench:
        preview = preview_of(bench.plan(JobKind.PROGRAM, "st-m27c512", DENSE[:512]))
    assert preview.limits == ()
    assert [use.pin for use in preview.pins if "program: vpp" in use.high_voltages] == [22]
