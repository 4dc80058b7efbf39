"""Any bytes at every door: nothing but the errors that are meant, no hang, bounded memory and output."""

import os
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.fuzz_seeds import seeds_of
from tests.support.fuzzing import TARGETS

ROOT = Path(__file__).parents[2]
#: Slow ones get fewer examples; a run by coverage below looks longer.
EXAMPLES = {"device": 60, "part": 60, "adapter": 60, "backup": 60}
GUIDED = ("device", "host-link", "descriptor", "image")
GUIDED_S = 3


@st.composite
def broken(draw: st.DrawFn, seeds: list[bytes]) -> bytes:
    """Return one of the seeds with some bytes changed, cut out, doubled or put in."""
    data = bytearray(draw(st.sampled_from(seeds)))
    for _ in range(draw(st.integers(0, 6))):
        at = draw(st.integers(0, len(data)))
        match draw(st.sampled_from(("change", "cut", "put in", "repeat"))):
            case "change" if at < len(data):
                data[at] = draw(st.integers(0, 255))
            case "cut":
                del data[at : at + draw(st.integers(1, 40))]
            case "put in":
                data[at:at] = draw(st.binary(max_size=8))
            case "repeat":
                data[at:at] = data[at : at + draw(st.integers(1, 40))]
    return bytes(data)


@pytest.mark.parametrize("name", TARGETS)
def test_any_bytes_and_any_damage(name: str) -> None:
    seeds = seeds_of(name)
    bytes_in = st.binary(max_size=400) | broken(seeds) if seeds else st.binary(max_size=400)

    @given(bytes_in)
    @settings(max_examples=EXAMPLES.get(name, 150))
    def fed(data: bytes) -> None:
        TARGETS[name](data)

    for seed in seeds:
        TARGETS[name](seed)
    fed()


@pytest.mark.skipif(find_spec("atheris") is None, reason="needs atheris")
@pytest.mark.parametrize("name", GUIDED)
def test_bytes_that_coverage_guides(name: str, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "tests.fuzz.run_atheris", name, str(GUIDED_S)]
    done = subprocess.run(
        command, cwd=ROOT, env={"PATH": os.environ["PATH"], "TMPDIR": str(tmp_path)},
        capture_output=True, text=True, check=False, timeout=100,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
