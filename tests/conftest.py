"""What all tests share."""

import os
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

# Times are no test of ours here: the machine may be busy, and pytest-timeout bounds each test anyway.
settings.register_profile(
    "ours", deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("ours")

_skipped: list[str] = []


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Note a test that was skipped; with several workers, their reports come here as well."""
    if report.skipped:
        _skipped.append(report.nodeid)


def pytest_collectreport(report: pytest.CollectReport) -> None:
    """Note a file that was skipped as a whole."""
    if report.skipped:
        _skipped.append(report.nodeid)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Have one worker more than cores: one or another waits for a daemon or for its virtual chip."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return cores + 1


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any, error: object) -> None:
    """Take over from a worker which files it skipped: of those it sends no report."""
    for nodeid in getattr(node, "workeroutput", {}).get("skipped", ()):
        if nodeid not in _skipped:
            _skipped.append(nodeid)


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Fail where a skipped test is a missing tool that should have been installed."""
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["skipped"] = _skipped
    elif _skipped and os.environ.get("ROMWRIGHT_NO_SKIPS"):
        print("\nskipped, which is a failure here:", *_skipped, sep="\n  ")
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_addoption(parser: pytest.Parser) -> None:
    """Say how much is to be tried of what has no end."""
    parser.addoption(
        "--kill-points",
        type=int,
        default=1,
        help="at how many points of a job the daemon is killed, for each part and signal (default 1)",
    )
