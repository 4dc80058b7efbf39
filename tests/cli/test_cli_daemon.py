"""A daemon of its own process, started by a client command: found, used, and stopped."""

import json
import sys
from typing import Any

import pytest

from cli.exit_codes import Exit
from daemon.runtime_file import find_running

pytestmark = pytest.mark.slow


def test_a_client_starts_one_daemon_and_stop_ends_it(place: Any) -> None:
    first = place.run_process("parts", "27C512", "--json")
    assert first.returncode == Exit.DONE
    assert "started the bench daemon in the background" in first.stderr
    assert {part["id"] for part in json.loads(first.stdout)["parts"]} >= {"st-m27c512"}
    info = find_running(place.state_dir / "run")
    assert info is not None

    second = place.run_process("part", "M27C512")
    assert (second.returncode, second.stderr) == (Exit.DONE, "")
    assert "VPP 12.75 V" in second.stdout

    examined = place.run_process("doctor")
    assert f"process {info.pid}" in examined.stdout

    stopped = place.run_process("stop", "--json")
    assert json.loads(stopped.stdout) == {"stopped": True, "pid": info.pid}
    assert find_running(place.state_dir / "run") is None
    assert json.loads(place.run_process("stop", "--json").stdout) == {"stopped": False}


def test_without_a_programmer_a_job_ends_with_3_and_says_what_to_do(place: Any) -> None:
    place.run_process("parts")
    result = place.run_process("blank-check", "--part", "M27C512", "--json")
    assert result.returncode == Exit.UNREACHABLE
    error = json.loads(result.stdout)["error"]
    assert error["code"] == "no-programmer"
    assert "romwright simulate" in error["hint"]


def test_images_go_in_and_come_out_in_other_formats(place: Any) -> None:
    file = place.folder / "tern.bin"
    file.write_bytes(b"TERN-8" * 10)
    added = json.loads(place.run("image", "add", str(file), "--json").stdout)
    # SHA-256 by the standard library, of the plain file.
    import hashlib

    assert added["sha256"] == hashlib.sha256(b"TERN-8" * 10).hexdigest()
    target = place.folder / "tern.hex"
    saved = place.run("image", "save", added["sha256"][:8], str(target))
    assert saved.returncode == Exit.DONE
    from intelhex import IntelHex  # an outside reader of the format

    assert bytes(IntelHex(str(target)).tobinarray()) == b"TERN-8" * 10
    again = place.run("image", "save", added["sha256"][:8], str(target))
    assert again.returncode == Exit.USAGE
    assert "exists already" in again.stderr
    assert added["sha256"][:12] in place.run("image", "list").stdout
    assert place.run("image", "remove", added["sha256"]).returncode == Exit.DONE
    assert place.run("image", "show", added["sha256"]).returncode == Exit.REFUSED


def test_unknown_parts_and_broken_files_are_refused_with_the_reason(place: Any) -> None:
    broken = place.folder / "broken.hex"
    broken.write_text(":10000000000000000000000000000000000000FF\n")
    refused = place.run("image", "add", str(broken), "--json")
    assert refused.returncode == Exit.REFUSED
    assert json.loads(refused.stdout)["error"]["code"] == "image-format"
    assert place.run("part", "no-such-part").returncode == Exit.REFUSED
    assert place.run("image", "add", str(place.folder / "missing.bin")).returncode == Exit.USAGE


def test_the_erase_time_has_its_range_and_its_cautions(place: Any) -> None:
    shown = place.run("erase-time", "--part", "M27C512", "--irradiance", "12")
    # 15 J/cm² at 12 mW/cm² take 1250 s: dose over irradiance, before losses in the window.
    assert shown.returncode == Exit.DONE
    assert "UV-C light burns eyes and skin" in shown.stdout
    estimate = json.loads(place.run("erase-time", "--part", "M27C512", "--irradiance", "12", "--json").stdout)
    assert estimate["time_s"]["low"] < 1250 < estimate["time_s"]["high"]
    # Flash needs no light and is told its own time; a one-time part cannot be erased at all.
    electrical = place.run("erase-time", "--part", "SST39SF040")
    assert electrical.returncode == Exit.DONE
    assert "whole chip at once" in electrical.stdout
    assert place.run("erase-time", "--part", "AT27C512R").returncode == Exit.REFUSED


@pytest.mark.skipif(sys.platform == "win32", reason="a folder can always be made there")
def test_a_daemon_that_cannot_start_says_why(place: Any) -> None:
    place.state_dir.write_text("in the way")
    result = place.run("parts")
    assert result.returncode == Exit.UNREACHABLE
    assert "this is a file, not a folder" in result.stderr
