"""What a job does differently that continues one which was cut off."""

import pytest

from daemon.store.model import JobKind, JobState, StepState
from tests.support.virtual_bench import virtual_bench

CONTENT = bytes(range(256)) * 4


@pytest.mark.parametrize("part_id", ["sst-39sf010a", "sst-sst27sf256"])
@pytest.mark.parametrize("resumes", [False, True])
def test_an_electrical_erase_that_may_have_been_cut_off_is_done_again(tmp_path, part_id, resumes):
    """A blank reading says little of a chip whose erase lost its supply: charge may be left (UV notes)."""
    with virtual_bench(tmp_path, part_id) as bench:
        job = bench.run(JobKind.PROGRAM, part_id, CONTENT, resumes=resumes)
        assert job.state is JobState.SUCCEEDED
        erase = next(step for step in job.steps if step.name == "erase")
        assert erase.state is (StepState.DONE if resumes else StepState.SKIPPED)
        assert bench.held[: len(CONTENT)] == CONTENT
