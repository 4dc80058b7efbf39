"""What the tests of jobs share."""

import pytest

from tests.support.one_bench import one_bench


@pytest.fixture
def one(tmp_path):
    """A started bench, its programmer ready, a blank chip in the socket."""
    with one_bench(tmp_path) as started:
        yield started
