"""Two benches of a workshop on one PostgreSQL: each does its own work, and one's end is not the other's."""

import random
from pathlib import Path

import pytest

from daemon.errors import BenchError, Code
from daemon.jobs.request import JobRequest
from daemon.store.model import JobKind, JobState
from simulator.programmer.profile import full
from tests.support import postgres
from tests.support.one_bench import PART, OneBench, one_bench

CONTENT = random.Random(3).randbytes(96) + b"\xff" * 8096

pytestmark = pytest.mark.skipif(postgres.missing() is not None, reason=str(postgres.missing()))


def programmed(bench: OneBench, content: bytes = CONTENT) -> JobRequest:
    return JobRequest(kind=JobKind.PROGRAM, part=PART, image=bench.image(content))


def test_two_daemons_share_a_database(tmp_path: Path) -> None:
    with (
        postgres.own_schema() as url,
        one_bench(tmp_path / "left", profile=full("SIM-L"), database_url=url) as left,
        one_bench(tmp_path / "right", profile=full("SIM-R"), database_url=url) as right,
    ):
        held = left.hold(step="program")
        slow = left.bench.submit(programmed(left))
        held.reached()
        quick = right.ended(right.bench.submit(programmed(right)))
        assert quick.state is JobState.SUCCEEDED
        # The jobs, events and images of the other are not this bench's; a job can be looked up by its id.
        assert [job.id for job in right.bench.jobs()] == [quick.id]
        assert right.bench.job(slow.id).state is JobState.RUNNING
        for at_the_wrong_bench in (right.bench.cancel, right.bench.continue_job):
            with pytest.raises(BenchError, match="of another bench") as refused:
                at_the_wrong_bench(slow.id)
            assert refused.value.code is Code.JOB_STATE
        right.bench.stop()
        assert left.bench.job(slow.id).state is JobState.RUNNING
        held.let_go()
        assert left.ended(slow).state is JobState.SUCCEEDED


def test_a_restart_of_one_bench_leaves_the_jobs_of_the_other_alone(tmp_path: Path) -> None:
    with (
        postgres.own_schema() as url,
        one_bench(tmp_path / "left", profile=full("SIM-L"), database_url=url) as left,
    ):
        held = left.hold(step="program")
        job = left.bench.submit(programmed(left))
        held.reached()
        for _ in range(2):
            with one_bench(tmp_path / "right", profile=full("SIM-R"), database_url=url) as right:
                assert right.bench.job(job.id).state is JobState.RUNNING
        held.let_go()
        assert left.ended(job).state is JobState.SUCCEEDED
