"""The option that runs one world alone, and quiet: worlds log more than anyone reads."""

import logging

import pytest
import structlog


def pytest_addoption(parser: pytest.Parser) -> None:
    """Let a world that failed be run again alone."""
    parser.addoption("--fault-seed", type=int, default=None, help="run the world of this seed, and no other")


@pytest.fixture(autouse=True)
def _quiet():
    before = structlog.get_config()
    logging.disable(logging.CRITICAL)
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    yield
    structlog.configure(**before)
    logging.disable(logging.NOTSET)
