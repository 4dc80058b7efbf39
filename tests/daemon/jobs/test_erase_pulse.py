"""27-series parts that are erased by voltage, the usual stand-in for UV EPROMs."""

import random
from dataclasses import replace

import pytest

from daemon.store.model import JobKind, JobState
from protocol.wire import SupplyKind
from simulator.programmer.profile import full, modest
from simulator.stock import Stock
from tests.support.virtual_bench import PARTS, virtual_bench

DENSE = random.Random(27).randbytes(1 << 18)
BY_VOLTAGE = [
    part.id
    for part in PARTS
    if part.erase.pulse_ms and part.package.startswith("DIP") and part.size_bytes <= 1 << 17
]


def test_there_are_such_parts():
    assert "winbond-w27c512" in BY_VOLTAGE
    assert len(BY_VOLTAGE) >= 4


@pytest.mark.parametrize("part_id", BY_VOLTAGE)
def test_a_used_chip_is_erased_and_programmed_anew(tmp_path, part_id):
    part = PARTS.get(part_id)
    with virtual_bench(tmp_path, part_id, Stock.USED) as bench:
        job = bench.run(JobKind.PROGRAM, part_id, DENSE[: part.size_bytes])
        assert job.state is JobState.SUCCEEDED, job.outcome
        erase = next(step for step in job.steps if step.name == "erase")
        assert erase.result["words"].startswith("blank after 1 pulse")
        assert erase.result["took_ms"] >= part.erase.pulse_ms
        assert bench.held == DENSE[: part.size_bytes]
        assert bench.supplies_off


def test_a_blank_one_is_not_erased_again(tmp_path):
    with virtual_bench(tmp_path, "winbond-w27c512") as bench:
        job = bench.run(JobKind.PROGRAM, "winbond-w27c512", DENSE[:512])
        assert next(step for step in job.steps if step.name == "erase").result["words"] == "already blank"


def test_a_uv_part_under_that_name_survives_and_is_said_not_to_erase(tmp_path):
    # A UV EPROM in place of the electrically erased part: A9 of an M27C512 stands 13.5 V (ST, November 1998),
    # so at 14 V it is in danger; the signature is there to stop it first.
    with virtual_bench(tmp_path, "winbond-w27c512", Stock.WRONG, other="st-m27c512") as bench:
        job = bench.run(JobKind.PROGRAM, "winbond-w27c512", DENSE[:512])
        assert job.outcome["code"] == "signature-mismatch"
        assert bench.programmer.socket.chip.damage is None


def test_a_board_without_that_voltage_programs_but_does_not_erase(tmp_path):
    profile = full("SIM-1")
    weak_id = replace(profile.id, range=replace(profile.id.range, maximum_mv=13_000))
    weak = replace(profile, id=weak_id, identity=replace(profile.identity, id=weak_id.range))
    with virtual_bench(tmp_path, "winbond-w27c512", profile=weak) as bench:
        assert bench.run(JobKind.WRITE, "winbond-w27c512", DENSE[:512]).state is JobState.SUCCEEDED
        job = bench.run(JobKind.ERASE, "winbond-w27c512")
        assert (job.state, job.outcome["code"]) == (JobState.FAILED, "programmer-cannot")
        assert "14.0 V" in job.outcome["summary"]


def test_a_modest_board_still_reads_such_a_part(tmp_path):
    with virtual_bench(tmp_path, "winbond-w27c512", Stock.USED, profile=modest()) as bench:
        assert bench.programmer.profile.id.range.kind is SupplyKind.ABSENT
        job = bench.run(JobKind.READ, "winbond-w27c512")
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert bench.kept == [bench.held]
