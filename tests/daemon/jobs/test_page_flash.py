"""The main job on flash that is written by pages: it names itself, and its pages are whole."""

import random

import pytest

from daemon.store.model import JobKind, JobState
from tests.support.virtual_bench import virtual_bench


@pytest.mark.parametrize("part", ["atmel-at29c256", "sst-29ee010"])
def test_the_main_job_passes_the_signature_step(tmp_path, part):
    content = random.Random(4).randbytes(3000)
    with virtual_bench(tmp_path, part) as bench:
        job = bench.run(JobKind.PROGRAM, part, content)
        assert job.state is JobState.SUCCEEDED, job.outcome
        verdicts = {check["name"]: check["verdict"] for check in job.outcome["checks"]}
        assert verdicts["signature"] == verdicts["verify"] == "passed"
        assert bench.held[:3000] == content
