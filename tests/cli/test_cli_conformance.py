"""`romwright conformance` against a simulated programmer on a port."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import Result

from cli.exit_codes import Exit

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")


@posix_only
def test_a_report_and_its_seal(invoke: Callable[..., Result], simulator: Any, tmp_path: Path) -> None:
    port = simulator("--chip", "none").port
    saved = tmp_path / "report.json"
    chosen = ("--only", "D10", "--only", "D27", "--only", "D30")
    result = invoke("conformance", port, "--socket", "empty", *chosen, "--save", str(saved), "--json")
    assert result.exit_code == Exit.DONE
    report = json.loads(result.stdout)
    assert report == json.loads(saved.read_text(encoding="utf-8"))
    verdicts = {each["requirement"]: each["verdict"] for each in report["requirements"]}
    assert (verdicts["D10"], verdicts["D27"], verdicts["D30"]) == ("pass", "pass", "pass")
    assert report["device"]["serial"] == "SIM-1"
    assert report["seal"].startswith("romwright-seal 1 wire=1.0 level=none ")

    holds = invoke("conformance", "--verify-seal", str(saved))
    assert holds.exit_code == Exit.DONE
    assert report["seal"] in holds.stdout
    saved.write_text(saved.read_text(encoding="utf-8").replace("SIM-1", "SIM-2"), encoding="utf-8")
    broken = invoke("conformance", "--verify-seal", str(saved))
    assert broken.exit_code == Exit.NEGATIVE
    assert "does not hold" in broken.stdout


@posix_only
def test_nothing_is_energised_unasked_and_it_is_said(invoke: Callable[..., Result], simulator: Any) -> None:
    bench = simulator("--chip", "used")
    result = invoke("conformance", bench.port, "--only", "D25", "--only", "D5")
    assert result.exit_code == Exit.DONE
    assert "say what is in the socket: --socket empty" in result.stdout
    assert bench.tell("state")["switched_on"] == 0


@posix_only
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=["ctrl-c", "terminated"])
def test_an_interrupt_takes_the_supplies_off(simulator: Any, place: Any, number: int) -> None:
    bench = simulator("--chip", "none")
    process = subprocess.Popen(
        [
            *(sys.executable, "-m", "cli.main", "conformance", bench.port),
            *("--socket", "empty", "--only", "keepalive-feeds-it"),
        ],
        env=place.environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    deadline_s = time.monotonic() + 30
    while bench.tell("state")["vcc_v"] < 4 and time.monotonic() < deadline_s:
        time.sleep(0.05)
    assert bench.tell("state")["vcc_v"] > 4
    process.send_signal(number)
    assert process.wait(20) == Exit.INTERRUPTED
    # Its own doing and not the watchdog's, which needs a second: it waits for the answer before it ends.
    assert bench.tell("state")["vcc_v"] < 0.5


@posix_only
def test_a_port_that_nobody_answers_on(invoke: Callable[..., Result]) -> None:
    own, other = os.openpty()
    try:
        result = invoke("conformance", os.ttyname(other), "--baud", "115200")
    finally:
        os.close(own)
        os.close(other)
    assert result.exit_code == Exit.UNREACHABLE
    assert "answers HELLO at 115200 baud" in result.stderr


@posix_only
@pytest.mark.slow
def test_the_port_is_taken_from_an_idle_daemon_but_not_from_a_user_s_own(
    invoke: Callable[..., Result], simulator: Any, place: Any
) -> None:
    port = simulator("--chip", "none").port
    assert place.run("programmers", "--port", port).returncode == Exit.DONE
    by_name = invoke("conformance", "SIM-1", "--only", "D6")
    assert by_name.exit_code == Exit.DONE, by_name.stderr
    assert "ended the idle bench daemon" in by_name.stderr

    served = subprocess.Popen(
        [sys.executable, "-m", "cli.main", "serve", "--port", port],
        env=place.environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        deadline_s = time.monotonic() + 30
        # Asked sooner, the command would start a daemon of its own.
        while not (place.state_dir / "run" / "bench.json").exists() and time.monotonic() < deadline_s:
            time.sleep(0.05)
        while "SIM-1" not in place.run("programmers", "--json").stdout and time.monotonic() < deadline_s:
            time.sleep(0.1)
        refused = invoke("conformance", port, "--only", "D6")
        assert refused.exit_code == Exit.UNREACHABLE
        assert "was started by hand" in refused.stderr
    finally:
        served.terminate()
        served.wait(20)


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        ((), Exit.USAGE, "say which port"),
        (("/dev/no-such-port",), Exit.UNREACHABLE, "there is no port /dev/no-such-port"),
        (("tcp://127.0.0.1:1",), Exit.USAGE, "in the settings"),
        (("p", "--only", "D99"), Exit.USAGE, "no check is called D99"),
        (("p", "--socket", "sacrificial"), Exit.USAGE, "needs --part"),
        (("--verify-seal", "no-such-file.json"), Exit.USAGE, "no-such-file.json"),
    ],
)
def test_what_cannot_be(
    invoke: Callable[..., Result], arguments: tuple[str, ...], status: Exit, words: str
) -> None:
    result = invoke("conformance", *arguments)
    assert result.exit_code == status
    assert words in result.stderr


def test_the_list_has_all_checks(invoke: Callable[..., Result]) -> None:
    listed = json.loads(invoke("conformance", "--list", "--json").stdout)
    assert len(listed) > 80
    assert {"check": "strays", "requirements": ["D10"]}.items() <= next(
        each for each in listed if each["check"] == "strays"
    ).items()


@posix_only
@pytest.mark.parametrize(
    ("typed", "status", "verdicts"),
    [
        ("5.0\n6,24\n12.7 V\n0.02\n", Exit.DONE, ["good", "good", "good", "good"]),
        ("5.0\n\nwhat\n12.2\n0\n", Exit.NEGATIVE, ["good", "not-checked", "off", "good"]),
        ("", Exit.DONE, ["not-checked"] * 4),
    ],
    ids=["agrees", "off", "nothing typed"],
)
def test_supplies_against_a_meter(
    simulator: Any, place: Any, typed: str, status: Exit, verdicts: list[str]
) -> None:
    bench = simulator("--chip", "none")
    done = place.run("conformance", bench.port, "--socket", "empty", "--meter", "--json", stdin=typed)
    assert done.returncode == status, done.stderr
    readings = json.loads(done.stdout)["readings"]
    assert [each["verdict"] for each in readings] == verdicts
    assert [each["asked_mv"] for each in readings] == [5000, 6250, 12750, 0]
    assert [each["device_mv"] for each in readings] == [5000, 6250, 12750, None]
    assert bench.tell("state")["vcc_v"] < 0.5


@posix_only
def test_a_meter_is_not_put_to_a_socket_with_a_chip(invoke: Callable[..., Result]) -> None:
    result = invoke("conformance", "p", "--meter")
    assert result.exit_code == Exit.USAGE
    assert "--socket empty" in result.stderr


@posix_only
def test_a_hand_sets_vpp_and_presses_reset(simulator: Any, place: Any) -> None:
    bench = simulator("--chip", "none", "--board", "modest")
    bench.tell("set vpp 12.75")
    process = subprocess.Popen(
        [
            *(sys.executable, "-m", "cli.main", "conformance", bench.port, "--socket", "empty", "--by-hand"),
            *("--only", "a-supply-set-by-hand", "--only", "reset-at-rest", "--json"),
        ],
        env=place.environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdin is not None
    assert process.stderr is not None
    process.stdin.write("\n")
    process.stdin.flush()
    told = ""
    while line := process.stderr.readline():
        told += line
        if "Press the board's reset button" in line:
            bench.tell("reset")
    report = json.loads(process.communicate(timeout=60)[0])
    assert "Set VPP to 12.75 V" in told
    assert {each["check"]: each["verdict"] for each in report["checks"]} == {
        "a-supply-set-by-hand": "pass",
        "reset-at-rest": "pass",
    }
    assert process.returncode == Exit.DONE
