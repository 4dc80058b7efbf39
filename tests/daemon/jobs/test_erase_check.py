"""The erase check against virtual chips whose exposure is known: in virtual time, over the whole wire."""

import math

import numpy as np
import pytest
from scipy.stats import norm

from daemon.jobs.light_so_far import LightReading, LightSoFar
from daemon.store.model import JobKind, JobState
from simulator.chip.erase_laws import EraseLaw
from simulator.chip.process import Process
from simulator.programmer.profile import modest
from simulator.stock import Stock, demo_content
from tests.support.virtual_bench import PARTS, virtual_bench

PART = "st-m27c64a"
#: 30 J/cm² by the sheet of the M27C64A. Say 10 mW/cm² at the die: 3000 s at full output.
SHEET_S = 3000.0
MW = 10.0


def programmed(bench, *, sigma: float = 0.05, seed: int = 3) -> int:
    """Put cells of a known law into the chip, programmed; return how many bits that are."""
    chip = bench.programmer.socket.chip
    process = Process.of_part(chip.part, seed).with_erase_law(EraseLaw.LOG_NORMAL, sigma)
    chip.cells.fresh = process
    chip.cells.wear(0)
    content = demo_content(chip.part, seed)
    chip.program_at_maker(content)
    return chip.part.words * 8 - int(np.bitwise_count(content).sum())


def expose(bench, seconds: float) -> None:
    bench.programmer.socket.chip.expose(seconds * MW / 1000)


def check(bench, **light: object):
    return bench.run(JobKind.ERASE_CHECK, PART, light=LightSoFar(sheet_s=SHEET_S, **light) if light else None)


def numbers(job):
    return job.outcome["numbers"]


def test_a_programmed_chip_is_counted_exactly(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        bits = programmed(bench)
        job = check(bench)
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "not-erased")
        assert numbers(job)["bits"] == numbers(job)["bits_nominal"] == bits
        assert numbers(job)["vcc_v"] == 4.2  # ST's low check supply
        assert numbers(job)["more_lit_s"] is None
        assert bench.supplies_off
        assert numbers(job)["took_s"] == pytest.approx(job.estimate["total_s"], rel=0.35, abs=1.0)


def test_from_not_erased_to_erased_with_margin(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        bits, had_s, readings = programmed(bench), 0.0, []
        # Dc is a third of 30 J; half erase at 4.2 V after Dc ln(8000/2700) = 1.09 Dc, about 1090 s.
        states = []
        for until_s in (1050.0, 1150.0, 1250.0, 6000.0):
            expose(bench, until_s - had_s)
            had_s = until_s
            job = check(bench, bits_at_start=bits, effective_s=had_s, readings=tuple(readings))
            states.append(numbers(job)["erase_state"])
            readings.append(
                LightReading(effective_s=had_s, bits_left=numbers(job)["bits"], vcc_v=4.2, reads=5)
            )
        assert states[-1] == "erased"
        assert job.state is JobState.SUCCEEDED
        assert "with margin" in job.steps[-1].result["words"]
        assert set(states[:-1]) <= {"not-erased", "marginal"}
        assert readings[0].bits_left > readings[1].bits_left > readings[2].bits_left


def test_blank_at_5_v_is_called_marginal(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        bits = programmed(bench)
        # Between the two trip points: Dc ln(8000/3500) = 0.83 Dc at 5.0 V, 1.09 Dc at 4.2 V.
        dose_j = bench.programmer.socket.chip.cells.process.dose_constant_j
        seconds = 1.04 * dose_j * 1000 / MW
        expose(bench, seconds)
        job = check(bench, bits_at_start=bits, effective_s=seconds)
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "erase-marginal")
        assert numbers(job)["bits_nominal"] == 0
        assert numbers(job)["bits"] > 0
        # One reading (UV notes, section 4): three times t e^(0.1 (z_T - z)), z_T at 0.01 bit left,
        # which is longer than the sheet's 3000 s; and 18 s of warm-up.
        z_now, z_target = norm.isf(numbers(job)["bits"] / bits), norm.isf(0.01 / bits)
        whole_s = 3 * seconds * math.exp(0.1 * (z_target - z_now))
        assert whole_s > SHEET_S
        assert numbers(job)["more_lit_s"] == pytest.approx(whole_s - seconds + 18, abs=1)
        assert "more minutes" in job.outcome["summary"]


def test_bits_that_stay_will_not_erase(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        bits = programmed(bench)
        for row in (5, 700, 4000):
            bench.programmer.socket.chip.cells.stuck(row, 2, 0)
        expose(bench, 6000)
        first = numbers(check(bench, bits_at_start=bits, effective_s=6000.0))["bits"]
        assert first == 3
        expose(bench, 3000)
        earlier = (LightReading(effective_s=6000.0, bits_left=first, vcc_v=4.2, reads=5),)
        job = check(bench, bits_at_start=bits, effective_s=9000.0, readings=earlier)
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "will-not-erase")
        assert "stuck" in job.outcome["summary"]


def test_counts_that_contradict_are_refused(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        bits = programmed(bench)
        earlier = (LightReading(effective_s=600.0, bits_left=100, vcc_v=4.2, reads=5),)
        job = check(bench, bits_at_start=bits, effective_s=900.0, readings=earlier)
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "erase-series-impossible")
        assert "rises" in job.outcome["summary"]


def test_a_board_that_cannot_look_lower_passes_nothing(tmp_path):
    with virtual_bench(tmp_path, PART, profile=modest("SIM-2")) as bench:
        job = check(bench)
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "erase-marginal")
        verdicts = {each["name"]: each["verdict"] for each in job.outcome["checks"]}
        assert verdicts["erase-check-low"] == "not-checked"


def test_a_fresh_chip_is_erased_by_the_supply_alone(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        job = check(bench)
        assert job.state is JobState.SUCCEEDED
        assert "not known" in job.steps[-1].result["words"]


def test_half_erased_stock_is_marginal(tmp_path):
    with virtual_bench(tmp_path, "st-m27c512", Stock.HALF_ERASED) as bench:
        job = bench.run(JobKind.ERASE_CHECK, PARTS.get("st-m27c512"))
        assert job.outcome["code"] == "erase-marginal"


@pytest.mark.parametrize("part_id", ["atmel-at28c64", "atmel-at28c256"])
def test_parts_that_replace_bytes_are_erased_by_writing_blank(tmp_path, part_id):
    part = PARTS.get(part_id)
    with virtual_bench(tmp_path, part_id, Stock.USED) as bench:
        assert bench.held != b"\xff" * part.size_bytes
        job = bench.run(JobKind.ERASE, part)
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert bench.held == b"\xff" * part.size_bytes
        assert job.outcome["numbers"]["took_s"] == pytest.approx(job.estimate["total_s"], rel=0.35, abs=1.0)


def test_such_parts_have_no_sectors_to_erase(tmp_path):
    with virtual_bench(tmp_path, "atmel-at28c64", Stock.USED) as bench:
        held = bench.held
        job = bench.run(JobKind.ERASE, "atmel-at28c64", erase={"scope": "sector"}, length_bytes=64)
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "part-cannot")
        assert bench.held == held
