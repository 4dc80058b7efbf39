"""A chip that already holds something that is to be left alone is left alone."""

import random
import zlib
from dataclasses import replace

import numpy as np
import pytest

from daemon.jobs.request import JobRequest
from daemon.store.model import JobKind, JobState
from protocol.wire import Capability
from simulator.programmer.profile import full
from tests.support.virtual_bench import PARTS, virtual_bench

PART = "st-m27c64a"
CONTENT = random.Random(7).randbytes(8192)
OTHER = random.Random(8).randbytes(8192)


def without_digests():
    profile = full("SIM-1")
    less = profile.identity.capabilities & ~Capability.DIGEST
    return replace(profile, identity=replace(profile.identity, capabilities=less))


@pytest.mark.parametrize("profile", [full("SIM-1"), without_digests()], ids=["digests", "reads"])
def test_a_chip_that_holds_a_known_content_is_not_touched(tmp_path, profile):
    with virtual_bench(tmp_path, PART, profile=profile) as bench:
        bench.programmer.socket.chip.program_at_maker(np.frombuffer(OTHER, np.uint8).astype(np.uint16))
        known = {zlib.crc32(OTHER), zlib.crc32(CONTENT)}
        job = bench.run(JobKind.PROGRAM, PART, CONTENT, spare_crc32=known)
        assert job.state is JobState.FAILED
        assert job.outcome["code"] == "already-programmed"
        assert job.outcome["numbers"]["held_crc32"] == zlib.crc32(OTHER)
        assert "program" not in {step.name for step in job.steps if step.state.value == "done"}
        assert bench.held == OTHER
        assert bench.supplies_off


def test_a_blank_chip_is_programmed(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        job = bench.run(JobKind.PROGRAM, PART, CONTENT, spare_crc32={zlib.crc32(CONTENT), zlib.crc32(OTHER)})
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert bench.held == CONTENT
        said_s = job.estimate["total_s"]
        assert job.outcome["numbers"]["took_s"] == pytest.approx(said_s, rel=0.05, abs=0.5)


def test_jobs_without_the_wish_have_no_such_step(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        job = bench.run(JobKind.PROGRAM, PART, CONTENT)
        assert "held-content" not in {step.name for step in job.steps}


def test_only_a_program_job_takes_it():
    with pytest.raises(ValueError, match="only for a program job"):
        JobRequest(kind=JobKind.VERIFY, part=PARTS.get(PART).id, image="0" * 64, spare_crc32={1})
