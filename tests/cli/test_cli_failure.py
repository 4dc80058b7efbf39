"""Codes and exit statuses: every code of the daemon has one, and every outcome is sorted."""

import pytest

from cli import failure as failures
from cli.exit_codes import Exit
from cli.failure import Failure, failure_of, status_of
from cli.report import VERDICT_CODES, status_of_job
from daemon.errors import BenchError, Code
from daemon.jobs.outcome import OutcomeCode


def test_codes_that_are_sorted_exist() -> None:
    known = {code.value for code in Code}
    assert known >= failures._UNREACHABLE_CODES
    assert known >= failures._USAGE_CODES


def test_outcomes_are_verdicts_good_ends_or_breaks() -> None:
    good_or_broken = {"ok", "blank", "cancelled", "interrupted", "consent-needed"}
    assert {code.value for code in OutcomeCode} == VERDICT_CODES | good_or_broken


@pytest.mark.parametrize(
    ("code", "status"),
    [
        (Code.NO_PROGRAMMER, Exit.UNREACHABLE),
        (Code.STATE_DIR_BUSY, Exit.UNREACHABLE),
        (Code.SETTINGS_INVALID, Exit.USAGE),
        (Code.PART_UNKNOWN, Exit.REFUSED),
        (Code.LEASE_HELD, Exit.REFUSED),
    ],
)
def test_status_of_codes(code: Code, status: Exit) -> None:
    assert status_of(code) is status


@pytest.mark.parametrize(
    ("state", "code", "status"),
    [
        ("succeeded", "ok", Exit.DONE),
        ("succeeded", "blank", Exit.DONE),
        ("failed", "not-blank-low", Exit.NEGATIVE),
        ("failed", "pin-fault", Exit.NEGATIVE),
        ("failed", "consent-needed", Exit.REFUSED),
        ("failed", "link-lost", Exit.BROKEN_OFF),
        ("cancelled", "cancelled", Exit.BROKEN_OFF),
        ("interrupted", "interrupted", Exit.BROKEN_OFF),
    ],
)
def test_status_of_jobs(state: str, code: str, status: Exit) -> None:
    assert status_of_job({"state": state, "outcome": {"code": code}}) is status


def test_a_failure_keeps_what_the_daemons_error_says() -> None:
    error = BenchError(Code.PART_UNKNOWN, "no such part", hint="look", field="part", details={"near": ["x"]})
    assert failure_of(error).to_json() == {
        "error": {
            "code": "part-unknown",
            "message": "no such part",
            "hint": "look",
            "field": "part",
            "details": {"near": ["x"]},
            "exit_status": 4,
        }
    }


def test_a_failure_leaves_out_what_it_has_not() -> None:
    assert Failure(Exit.USAGE, "wrong").to_json() == {"error": {"message": "wrong", "exit_status": 2}}
