"""A board of one chip, and what the tests look at in plans."""

import hashlib
from collections.abc import Callable

import pytest

from daemon.boards.plan import BoardPlan
from daemon.errors import BenchError, Code

Planner = Callable[..., BoardPlan]


def contents(plan: BoardPlan, copy: int = 0) -> dict[str, bytes]:
    return {chip.position: chip.content.data for chip in plan.chips if chip.copy == copy}


def refused(code: Code, call: Callable[[], object]) -> BenchError:
    with pytest.raises(BenchError) as caught:
        call()
    assert caught.value.code is code
    assert caught.value.hint
    return caught.value


# A larger part, by what its pins get

HALF = """name = "One chip"
[sources.rom]
file = "rom.bin"
[[positions]]
label = "U1"
made_for = "27C256"
pins = { 1 = "PIN" }
parts = ["M27C512"]
access_ns = 200
source = "rom"
"""


ROM = hashlib.shake_256(b"rom").digest(0x8000)
