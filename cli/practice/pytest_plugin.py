"""A bench as a fixture, for authors of front ends, scripts and firmware: `romwright_bench`.

Everybody who has this program installed has this module loaded into every run of pytest, so it imports
nothing but pytest itself; what the fixture needs comes with its first use.
"""

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from cli.practice.bench import PracticeBench

_MARKER = (
    "romwright(board='full', serial='SIM-1', speed=None, port=None, **settings): how the bench of the fixture"
    " romwright_bench is made: a full or modest simulated programmer, in virtual time, or at a speed of real"
    " time; or the device at a port instead"
)


def pytest_configure(config: pytest.Config) -> None:
    """Make the marker known."""
    config.addinivalue_line("markers", _MARKER)


@pytest.fixture
def romwright_bench(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> "Iterator[PracticeBench]":
    """Give a daemon with a programmer that is ready, its HTTP interface, and hands for the socket.

    The socket is empty; `put_in` fills it. It is in a folder of its own and gone with the test. The marker
    `romwright` chooses the programmer and the time it goes by.
    """
    from cli.practice.bench import practice_bench

    marker = request.node.get_closest_marker("romwright")
    options = dict(marker.kwargs) if marker is not None else {}
    with practice_bench(tmp_path_factory.mktemp("romwright"), **options) as bench:
        yield bench
