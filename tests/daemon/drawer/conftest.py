"""How to put a chip that nobody names into the socket of a bench."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from simulator.chip.chip import Chip
from simulator.programmer.profile import Profile
from simulator.socket import Placement, Socket
from tests.support.drawer_bench import DrawerBench
from tests.support.virtual_bench import virtual_bench


@pytest.fixture
def on_bench(tmp_path: Path) -> Callable[..., Any]:
    """Return how to put a chip into the socket of a bench."""

    @contextmanager
    def put(
        chip: Chip | None, placement: Placement | None = None, profile: Profile | None = None
    ) -> Iterator[DrawerBench]:
        def change(socket: Socket) -> Socket:
            return Socket(socket.pin_count, chip, placement=placement or Placement())

        with virtual_bench(tmp_path, "st-m27c512", profile=profile, change=change) as bench:
            yield DrawerBench(bench)

    return put
