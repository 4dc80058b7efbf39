"""Reports as JUnit XML, read by a general parser (junitparser)."""

from dataclasses import replace
from datetime import UTC, datetime

import junitparser
import pytest

from daemon.batches.events import End
from daemon.batches.results import results_of
from daemon.reports import batch_junit, job_junit
from daemon.store.model import JobKind
from tests.support.batch_world import NOT_BLANK, World, plan_of
from tests.support.virtual_bench import virtual_bench

BEGAN = datetime(2026, 11, 21, 9, 30, tzinfo=UTC)
PART = "st-m27c64a"


def parsed(text):
    return junitparser.JUnitXml.fromstring(text.encode())


def cases_of(report):
    return {(suite.name, case.name): case for suite in report for case in suite}


@pytest.fixture
def world():
    """A batch of two sets: one chip good, one for the lamp, one of another part, three still to be made."""
    world = World(plan_of(sets=2, positions=2))
    for kind in ({}, {"fails": -1, "finding": NOT_BLANK}, {"other_part": True}):
        world.put_in(world.pick(**kind))
        world.work()
        world.work()
    return world


def test_a_batch_reads_as_suites_of_positions_and_cases_of_chips(world):
    report = parsed(batch_junit(7, world.plan, world.state, BEGAN))
    assert report.name == "batch 7: 2 x Board"
    assert [suite.name for suite in report] == ["Board U0", "Board U1"]
    assert (report.tests, report.failures, report.errors, report.skipped) == (6, 1, 0, 4)
    cases = cases_of(report)
    assert cases["Board U0", "set 1, chip 1"].is_passed
    [failure] = cases["Board U0", "set 2, chip 2"].result
    assert isinstance(failure, junitparser.Failure)
    assert (failure.type, failure.message) == ("not-blank", "re-expose: bits read 0")
    assert cases["Board U0", "set 2, chip 3"].is_skipped
    assert cases["Board U1", "set 1"].is_skipped
    assert next(iter(report)).timestamp == "2026-11-21T09:30:00"


def test_what_a_batch_that_was_ended_did_not_make_is_failed(world):
    world.happens(End())
    report = parsed(batch_junit(7, world.plan, world.state, BEGAN))
    assert [case.result[0].type for (suite, _), case in cases_of(report).items() if suite == "Board U1"] == [
        "not-made",
        "not-made",
    ]


def test_its_figures_add_up(world):
    found = results_of(world.plan, world.state)
    assert (found.made, found.total, found.sets_complete) == (1, 4, 0)
    assert found.yield_share == 0.5
    assert found.failed_by_cause == {"not-blank": 1}
    assert found.set_aside_by_cause == {"signature-mismatch": 1}
    assert [(each.position, each.sets) for each in found.remaining] == [("U0", (2,)), ("U1", (1, 2))]
    assert found.remaining_s == pytest.approx(3 * found.chip_s)
    world.finish()
    done = results_of(world.plan, world.state)
    assert (done.made, done.sets_complete, done.remaining, done.remaining_s) == (4, 2, (), 0.0)


def test_a_job_reads_as_its_checks(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        report = parsed(job_junit(bench.run(JobKind.PROGRAM, PART, bytes(range(256)))))
        assert (report.failures, report.errors, report.skipped) == (0, 0, 0)
        names = [case.name for suite in report for case in suite]
        assert "Verify at 6.00 V" in names
        assert names[-1] == f"program {PART}"
        bad = parsed(job_junit(bench.run(JobKind.BLANK_CHECK, PART)))
        [(_, case)] = [each for each in cases_of(bad).items() if each[0][1] == f"blank-check {PART}"]
        assert case.result[0].type == "not-blank"
        assert bad.failures == 2


def test_what_is_no_verdict_on_a_chip_is_an_error(tmp_path):
    with virtual_bench(tmp_path, PART) as bench:
        bench.transport.unplug()
        report = parsed(job_junit(bench.run(JobKind.BLANK_CHECK, PART)))
        assert (report.failures, report.errors) == (0, 1)


def test_control_characters_of_anybody_do_not_break_it(world):
    chips = tuple(world.state.chips)

    odd = replace(
        world.state, chips=(*chips[:1], replace(chips[1], words="a\x00b\x1b[31m<&\ud800"), chips[2])
    )
    report = parsed(batch_junit(7, world.plan, odd, BEGAN))
    assert cases_of(report)["Board U0", "set 2, chip 2"].result[0].message == "re-expose: a�b�[31m<&�"
