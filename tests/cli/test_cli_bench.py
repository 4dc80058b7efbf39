"""Commands on a simulated programmer, each piece a process of its own, as users have them."""

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

from cli.demo.firmware import tern8_image
from cli.exit_codes import Exit

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="uses pseudo-terminals and POSIX signals"),
]
PART = ("--part", "M27C512")


@pytest.fixture
def image(place: Any) -> Path:
    path: Path = place.folder / "tern8.bin"
    path.write_bytes(tern8_image())
    return path


def result(done: "subprocess.CompletedProcess[str]") -> dict[str, Any]:
    """Return the JSON document that a command printed."""
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def state_of_newest_job(place: Any) -> dict[str, Any]:
    return result(place.run("job", "--json"))


def test_the_main_job_by_one_command(place: Any, simulator: Callable[..., Any], image: Path) -> None:
    board = simulator("--speed", "20")
    port = ("--port", board.port)
    done = place.run_process("program", str(image), *PART, *port, "--yes")
    assert done.returncode == Exit.DONE, done.stdout + done.stderr
    assert "started the bench daemon" in done.stderr
    assert "VPP          12.75 V on pin 22 (/OE|VPP)" in done.stdout
    assert "M27C512: the chip holds the image" in done.stdout
    assert board.tell("state")["vcc_v"] < 0.5

    # From here on the daemon knows the port, and nothing but the part has to be said.
    verified = result(place.run_process("verify", str(image), *PART, "--json"))
    checks = [(check["vcc_v"], check["verdict"]) for check in verified["outcome"]["checks"]]
    assert (6.0, "passed") in checks
    assert (4.2, "passed") in checks

    copy = place.folder / "copy.hex"
    assert place.run_process("read", str(copy), *PART).returncode == Exit.DONE
    from intelhex import IntelHex  # an outside reader of the format

    assert bytes(IntelHex(str(copy)).tobinarray(start=0, size=65536)) == image.read_bytes()
    assert place.run_process("read", str(copy), *PART).returncode == Exit.USAGE

    blank = result(place.run_process("blank-check", *PART, "--json"))
    assert blank["outcome"]["code"] == "not-blank"
    zeros = sum((byte ^ 0xFF).bit_count() for byte in image.read_bytes())
    assert blank["outcome"]["numbers"]["bits"] == zeros

    assert (
        "20, device 3D" in place.run_process("identify", *PART).stdout
    )  # the data sheet's codes for this part
    listed = result(place.run_process("jobs", "--json"))["jobs"]
    assert [job["kind"] for job in listed] == ["identify", "blank-check", "read", "verify", "program"]
    assert place.run_process("job", "1").stdout.startswith("Job 1 ")
    watched = place.run_process("watch", "1", "--json")
    assert json.loads(watched.stdout.splitlines()[0])["type"] == "job-created"


@pytest.mark.parametrize(
    ("chip", "command", "code"),
    [
        ("reversed", "pin-check", "chip-reversed"),
        ("none", "pin-check", "chip-missing"),
        ("folded", "identify", "pin-fault"),
        ("wrong", "identify", "signature-mismatch"),
        ("half-erased", "blank-check", "not-blank-low"),
    ],
)
def test_what_is_wrong_with_a_chip_is_a_result(
    place: Any, simulator: Callable[..., Any], chip: str, command: str, code: str
) -> None:
    board = simulator("--chip", chip, "--speed", "20")
    done = place.run(command, *PART, "--port", board.port, "--json")
    assert done.returncode == Exit.NEGATIVE
    assert result(done)["outcome"]["code"] == code
    assert result(done)["outcome"]["hint"]


def test_altering_a_chip_wants_a_yes(place: Any, simulator: Callable[..., Any], image: Path) -> None:
    board = simulator("--speed", "20")
    done = place.run("program", str(image), *PART, "--port", board.port, stdin="")
    assert done.returncode == Exit.USAGE
    assert "--yes" in done.stderr
    assert board.tell("state")["switched_on"] == 0


def test_on_a_terminal_it_asks(place: Any, simulator: Callable[..., Any], image: Path) -> None:
    board = simulator("--speed", "20")
    ours, theirs = os.openpty()
    command = [sys.executable, "-m", "cli.main", "program", str(image), *PART, "--port", board.port]
    try:
        for answer, status in ((b"n\n", Exit.REFUSED), (b"y\n", Exit.DONE)):
            os.write(ours, answer)
            done = subprocess.run(
                command, stdin=theirs, capture_output=True, text=True, env=place.environment, check=False,
                timeout=60,
            )  # fmt: skip
            assert "Compare this with the marking on the chip. Go on? [y/N]" in done.stderr
            assert done.returncode == status, done.stdout + done.stderr
        os.write(ours, b"n\n")
        refused = subprocess.run(
            [*command, "--json"], stdin=theirs, capture_output=True, text=True, env=place.environment,
            check=False, timeout=60,
        )  # fmt: skip
        assert "VPP          12.75 V" in refused.stderr
        assert result(refused)["error"]["message"] == "not started, as you answered"
    finally:
        os.close(ours)
        os.close(theirs)


def test_ctrl_c_cancels_the_job_with_the_supplies_off(
    place: Any, simulator: Callable[..., Any], image: Path
) -> None:
    board = simulator()  # at the true speed: programming takes seconds
    place.run("programmers", "--port", board.port)
    command = [sys.executable, "-m", "cli.main", "program", str(image), *PART, "--yes"]
    with subprocess.Popen(
        command, env=place.environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        for line in process.stdout:
            if "Blank check" in line:
                break
        while board.tell("state")["vpp_v"] < 10:  # VPP is on while words are programmed
            time.sleep(0.02)
        process.send_signal(signal.SIGINT)
        out, error = process.communicate(timeout=30)
    assert process.returncode == Exit.INTERRUPTED, out + error
    assert "cancelled as asked; the supplies are off" in out
    assert state_of_newest_job(place)["state"] == "cancelled"
    power = board.tell("state")
    assert power["vcc_v"] < 0.5
    assert power["vpp_v"] < 0.5

    continued = place.run("continue", "--json")
    assert continued.returncode == Exit.DONE, continued.stdout
    assert place.run("verify", str(image), *PART).returncode == Exit.DONE


def test_a_programmer_that_is_unplugged_ends_the_job_without_a_result(
    place: Any, simulator: Callable[..., Any], image: Path
) -> None:
    board = simulator()
    place.run("programmers", "--port", board.port)
    command = [sys.executable, "-m", "cli.main", "write", str(image), *PART, "--yes", "--json"]
    with subprocess.Popen(command, env=place.environment, stdout=subprocess.PIPE, text=True) as process:
        for _ in range(200):
            jobs = result(place.run("jobs", "--json"))["jobs"]
            if jobs and any(step["name"] == "program" and step["done_bytes"] for step in jobs[0]["steps"]):
                break
        board.unplug()
        out, _ = process.communicate(timeout=60)
    assert process.returncode == Exit.BROKEN_OFF, out
    job = json.loads(out)
    assert job["state"] == "failed"
    assert job["outcome"]["hint"]


def test_cancel_from_another_terminal(place: Any, simulator: Callable[..., Any], image: Path) -> None:
    board = simulator()
    place.run("programmers", "--port", board.port)
    assert place.run("cancel").returncode == Exit.REFUSED
    command = [sys.executable, "-m", "cli.main", "write", str(image), *PART, "--yes", "--json"]
    with subprocess.Popen(command, env=place.environment, stdout=subprocess.PIPE, text=True) as process:
        while result(place.run("jobs", "--json", "--state", "running"))["jobs"] == []:
            assert process.poll() is None
        cancelled = place.run("cancel")
        out, _ = process.communicate(timeout=60)
    assert cancelled.returncode == Exit.DONE, cancelled.stderr
    assert process.returncode == Exit.BROKEN_OFF
    assert json.loads(out)["state"] == "cancelled"


def test_a_modest_board_asks_for_consent_and_for_its_supply(
    place: Any, simulator: Callable[..., Any], image: Path
) -> None:
    board = simulator("--board", "modest", "--speed", "20")
    first = place.run("program", str(image), *PART, "--port", board.port, "--yes", "--json")
    assert first.returncode == Exit.REFUSED
    assert result(first)["error"]["code"] == "consent-needed"
    assert "--allow-low-vcc" in result(first)["error"]["hint"]

    again = ("program", str(image), *PART, "--yes", "--allow-low-vcc")
    unasked = place.run(*again, "--json", stdin="")
    assert unasked.returncode == Exit.BROKEN_OFF
    assert result(unasked)["state"] == "cancelled"

    wrong = place.run(*again, "--supplies-set", "--json")
    assert wrong.returncode in (Exit.NEGATIVE, Exit.BROKEN_OFF)  # the trimmer is not where it should be
    board.tell("set vpp 12.75")
    done = place.run(*again, "--supplies-set", "--json")
    assert done.returncode == Exit.DONE, done.stdout + done.stderr
    verdicts = {check["verdict"] for check in result(done)["outcome"]["checks"]}
    assert "not-checked" in verdicts


def test_another_port_replaces_an_idle_daemon_of_ours(place: Any, simulator: Callable[..., Any]) -> None:
    first, second = simulator("--serial", "ONE"), simulator("--serial", "TWO")
    assert place.run("pin-check", *PART, "--port", first.port).returncode == Exit.DONE
    moved = place.run("pin-check", *PART, "--port", second.port)
    assert moved.returncode == Exit.DONE
    assert "ended the idle bench daemon" in moved.stderr
    nothing = place.run("pin-check", *PART, "--programmer", "ONE")
    assert nothing.returncode == Exit.UNREACHABLE


def test_two_programmers_must_be_told_apart(place: Any, simulator: Callable[..., Any]) -> None:
    first, second = simulator("--serial", "ONE"), simulator("--serial", "TWO", "--chip", "none")
    with place.config.open("a") as file:
        file.write(f'ports = ["{first.port}", "{second.port}"]\n')
    unclear = place.run("pin-check", *PART, "--json")
    assert unclear.returncode == Exit.USAGE
    assert result(unclear)["error"]["code"] == "programmer-ambiguous"
    assert place.run("pin-check", *PART, "--port", first.port).returncode == Exit.DONE
    by_path = place.run("pin-check", *PART, "--port", second.port, "--json")
    assert result(by_path)["outcome"]["code"] == "chip-missing"


def test_an_electrical_erase(place: Any, simulator: Callable[..., Any]) -> None:
    board = simulator("--part", "SST39SF010A", "--chip", "used", "--speed", "20")
    part = ("--part", "SST39SF010A")
    assert place.run("blank-check", *part, "--port", board.port).returncode == Exit.NEGATIVE
    assert place.run("erase", *part, "--yes").returncode == Exit.DONE
    assert place.run("blank-check", *part).returncode == Exit.DONE


def test_a_simulator_on_tcp_is_named_by_a_configuration_file(
    place: Any, simulator: Callable[..., Any]
) -> None:
    practice = place.folder / "practice.toml"
    board = simulator("--tcp", "0", "--write-config", str(practice))
    assert board.port.startswith("tcp://127.0.0.1:")
    with practice.open("a") as file:
        file.write(place.config.read_text())
    try:
        done = place.run("pin-check", *PART, "--config", str(practice))
        assert done.returncode == Exit.DONE, done.stderr
    finally:
        place.run("stop", "--config", str(practice))
