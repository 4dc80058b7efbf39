"""The doctor: what is well, what is wrong, and what to do about it."""

import json
import os
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from typer.testing import Result

from cli.doctor import machine, ports
from cli.doctor.findings import Grade
from cli.exit_codes import Exit
from daemon.discovery.ports import Candidate
from daemon.transport.base import PortKind

if sys.platform == "win32":
    pytest.skip("modes, owners and pseudo-terminals are POSIX's", allow_module_level=True)


def candidate(path: object) -> Candidate:
    return Candidate(str(path), PortKind.SERIAL, description="serial port")


def findings(result: Result) -> dict[str, dict[str, str]]:
    return {each["subject"]: each for each in json.loads(result.stdout)["findings"]}


def test_a_fresh_machine_has_no_problem(invoke: Callable[..., Result], place: Any) -> None:
    result = invoke("doctor", "--json")
    assert result.exit_code == Exit.DONE
    found = findings(result)
    assert found["daemon"]["words"].startswith("does not run")
    assert found["configuration"]["words"] == str(place.config)
    assert str(place.state_dir) in found["state folder"]["words"]
    assert found["ports"]["grade"] == "attention"
    assert "romwright simulate" in found["ports"]["remedy"]


def test_it_fits_on_one_screen(invoke: Callable[..., Result]) -> None:
    result = invoke("doctor")
    assert len(result.stdout.splitlines()) <= 24
    assert all(line.split()[0] in {"ok", "attention", "problem"} or line.startswith("  ") for line in
               result.stdout.splitlines())  # fmt: skip


def test_a_wrong_configuration_is_a_problem_with_its_place(invoke: Callable[..., Result], place: Any) -> None:
    place.config.write_text("poll_intervall_s = 3\n")
    result = invoke("doctor", "--json")
    assert result.exit_code == Exit.NEGATIVE
    found = findings(result)["configuration"]
    assert found["grade"] == "problem"
    assert "poll_interval_s" in found["words"]


def test_a_named_port_that_is_not_there(invoke: Callable[..., Result], place: Any) -> None:
    with place.config.open("a") as file:
        file.write('ports = ["/dev/no-such-port"]\n')
    result = invoke("doctor", "--json")
    assert result.exit_code == Exit.NEGATIVE
    assert findings(result)["port /dev/no-such-port"]["grade"] == "problem"


def test_a_port_without_permission_names_its_group(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "port"
    path.touch()
    path.chmod(0)
    # Root, as which tests may run, could open it all the same.
    monkeypatch.setattr(os, "access", lambda *_: False)
    found = ports.port(candidate(path), None)
    assert found.grade is Grade.PROBLEM
    assert "mode 000" in found.words


def test_permission_remedies_fit_the_owner(tmp_path: Path) -> None:
    path = tmp_path / "port"
    path.touch()
    words = ports._permission_remedy(path)
    group_is_root = path.stat().st_gid == 0
    assert ("udev rule" in words) is group_is_root


@pytest.mark.skipif(sys.platform != "linux", reason="/proc is Linux's")
def test_who_holds_a_port_is_named() -> None:
    master, slave = os.openpty()
    try:
        name = os.ttyname(slave)
        held = ports.holders_of(Path(name))
        assert (os.getpid(), Path("/proc/self/comm").read_text().strip()) in held
        assert ports.port(candidate(name), os.getpid()).words.endswith("held by the bench daemon")
    finally:
        os.close(slave)
        os.close(master)


def test_a_state_folder_that_others_can_enter(tmp_path: Path) -> None:
    folder = tmp_path / "state"
    folder.mkdir(mode=0o755)
    found = machine.state_folder(folder)[0]
    assert found.grade is Grade.ATTENTION
    assert found.remedy == f"Close it: chmod 700 {folder}"


def test_a_file_where_the_state_folder_should_be(tmp_path: Path) -> None:
    path = tmp_path / "state"
    path.touch()
    assert machine.state_folder(path)[0].grade is Grade.PROBLEM


def test_a_clock_before_this_program() -> None:
    assert machine.clock(datetime(1970, 1, 1, tzinfo=UTC)).grade is Grade.ATTENTION
    assert machine.clock(datetime(2026, 11, 25, tzinfo=UTC)).grade is Grade.OK
