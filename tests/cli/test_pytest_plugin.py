"""The bench as a pytest fixture, as its users have it: in runs of pytest of their own."""

import ast
import subprocess
import sys
import tomllib
from importlib.metadata import entry_points
from pathlib import Path

import pytest

pytest_plugins = "pytester"

PLUGIN = "cli.practice.pytest_plugin"
ROOT = Path(__file__).parents[2]
DOCS = (ROOT / "docs" / "testing.md").read_text(encoding="utf-8")


@pytest.fixture
def users(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> pytest.Pytester:
    """A project of somebody else, with this program installed."""
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    pytester.makeini("[pytest]\nfilterwarnings = error\n")
    return pytester


def run(users: pytest.Pytester, *more: str) -> pytest.RunResult:
    # Installed as users have it, pytest finds the plugin by itself; an older installation does not know it.
    known = {each.value for each in entry_points(group="pytest11")}
    named = () if PLUGIN in known else ("-p", PLUGIN)
    return users.runpytest_subprocess(*named, "-p", "no:cacheprovider", *more)


HANDS = """
import pytest

def outcome(bench, **request):
    job = bench.run_job({"kind": "pin-check", "part": "M27C64A", **request})
    return job["outcome"]["code"]

def test_chips_come_and_go(romwright_bench):
    assert outcome(romwright_bench) == "chip-missing"
    romwright_bench.put_in("M27C64A")
    assert outcome(romwright_bench) == "ok"
    romwright_bench.put_in("M27C64A", "reversed")
    assert outcome(romwright_bench) == "chip-reversed"
    romwright_bench.put_in("M27C64A", "folded")
    assert outcome(romwright_bench) == "pin-fault"
    romwright_bench.put_in("M27C64A", content=b"Tern")
    assert outcome(romwright_bench, kind="blank-check") == "not-blank"
    assert romwright_bench.take_out().part.name == "M27C64A"
    assert romwright_bench.take_out() is None
    assert romwright_bench.supplies_off
    with pytest.raises(ValueError):
        romwright_bench.put_in("M27C64A", content=bytes(8193))

@pytest.mark.romwright(speed=20, serial="FAST-1", max_image_bytes=1024)
def test_at_a_speed_of_real_time(romwright_bench):
    [programmer] = romwright_bench.client.get("/v1/programmers")["programmers"]
    assert programmer["id"] == "FAST-1"
    romwright_bench.put_in("M27C64A")
    assert outcome(romwright_bench, kind="identify") == "ok"
    too_large = romwright_bench.http.post("/v1/images", content=bytes(2000))
    assert too_large.status_code in (413, 422)

@pytest.mark.romwright(board="modest")
def test_a_board_that_cannot_see_pins(romwright_bench):
    romwright_bench.put_in("M27C64A")
    [seen] = romwright_bench.client.get("/v1/programmers")["programmers"]
    assert "contact" not in str(seen["capabilities"]).lower()
"""

#: Firmware under test, played by a simulated programmer on a TCP port of this machine.
DEVICE = """
import pytest
from cli.practice.bench import NoHandsError, practice_bench
from simulator.endpoints import TcpEndpoint
from simulator.programmer.profile import full
from simulator.programmer.programmer import VirtualProgrammer
from simulator.serve import ServedProgrammer
from simulator.socket import Socket

def test_it(tmp_path):
    device = ServedProgrammer(VirtualProgrammer(full("MINE"), Socket(48)), TcpEndpoint(), speed=20)
    device.start()
    try:
        with practice_bench(tmp_path, port=device.port) as bench:
            assert bench.client.get("/v1/programmers")["programmers"][0]["id"] == "MINE"
            with pytest.raises(NoHandsError):
                bench.put_in("M27C64A")
    finally:
        device.stop()
"""


def test_what_the_page_shows_works_and_hands_time_settings_and_a_device_of_your_own(
    users: pytest.Pytester,
) -> None:
    """All in one run, since each run takes its time to import what a bench needs."""
    examples = [block.split("```")[0] for block in DOCS.split("```python\n")[1:]]
    assert len(examples) >= 2
    pages = "\n\n".join(examples)
    users.makepyfile(test_pages=pages, test_hands=HANDS, test_device=DEVICE)
    run(users).assert_outcomes(passed=pages.count("def test_") + 3 + 1)


def test_it_disturbs_nobody_who_does_not_use_it(users: pytest.Pytester) -> None:
    users.makepyfile(
        """
        import sys

        HEAVY = {"fastapi", "numpy", "sqlalchemy", "pydantic", "httpx", "uvicorn", "structlog", "daemon"}

        def test_nothing_heavy_is_there():
            assert not HEAVY & set(sys.modules)
        """
    )
    run(users, "--strict-markers").assert_outcomes(passed=1)
    listed = run(users, "--markers")
    listed.stdout.fnmatch_lines(["@pytest.mark.romwright(*"])


def test_it_is_light_to_import() -> None:
    code = (
        "import sys, pytest; before = set(sys.modules); import cli.practice.pytest_plugin;"
        "print(sorted(set(sys.modules) - before))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True, timeout=60
    )
    assert ast.literal_eval(done.stdout) == ["cli", "cli.practice", "cli.practice.pytest_plugin"]


def test_the_project_says_where_it_is() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["entry-points"]["pytest11"] == {"romwright": "cli.practice.pytest_plugin"}
