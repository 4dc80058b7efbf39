"""A small, fixed part of the campaign in `bench/bench_diagnosis.py`, with its thresholds."""

from random import Random

import pytest

from bench.bench_diagnosis import run_case
from bench.diagnosis_cases import SINGLES, Case, blank_case

SEED = 31_000
SINGLE_CASES, DOUBLE_CASES = 15, 7


@pytest.mark.slow
@pytest.mark.parametrize("first", [SEED, SEED + SINGLE_CASES])
def test_single_faults_are_named_first_and_nothing_wrong_is_claimed(first):
    found = [run_case(seed) for seed in range(first, first + SINGLE_CASES)]
    failed = [each for each in found if each.fails]
    assert len(failed) > 0.8 * SINGLE_CASES
    assert sum(each.right for each in failed) >= len(failed) - 1, [each for each in failed if not each.right]
    assert [each for each in failed if each.sure and not each.strictly] == []


@pytest.mark.slow
def test_of_two_faults_one_is_named_or_none_is_claimed():
    found = [run_case(seed, double=True) for seed in range(SEED, SEED + DOUBLE_CASES)]
    failed = [each for each in found if each.fails]
    assert sum(each.right for each in failed) >= 0.6 * len(failed)
    assert [each for each in failed if each.sure and not each.strictly] == []


def test_the_campaign_draws_every_kind_of_fault():
    """Each case says what is wrong, and a socket with that in it can be made."""
    for make in SINGLES:
        case = blank_case(Random(5), pins=True)
        make(case)
        assert isinstance(case, Case)
        assert case.truth, make.__name__
        case.make_socket()
